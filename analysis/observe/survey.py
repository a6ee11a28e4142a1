"""A first look at a few pictures over the whole clip: who the client is, and where.

Every part of the clip is then measured with the same survey, so that the result does not depend on
how the clip was split.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis import video
from analysis.card.reader import CardReader
from analysis.errors import ClipError
from analysis.landmarks import HIPS, SHOULDERS, Floats, Image, Pose
from analysis.observe.crew import Models, Tick
from analysis.observe.shrink import halved
from analysis.records import Clip

_EVERY_S: Final = 8.0
_LEAST: Final = 6
_STILL_START_S: Final = (0.5, 1.0)  # the tap on the record button shakes the very first pictures
STILL_STARTS: Final = len(_STILL_START_S)
_STILL_START_END_S: Final = 1.1
_MARGIN: Final = 0.25  # of the client's longer side, round all places where the client was seen
# The pose model looks at 256 px round the client without filtering. Where the client stays longer than
# this, shrinking the picture properly first takes 3-40 % of the jitter away on rendered clips.
_CLIENT_PX: Final = 300.0
_SAME: Final = 0.25  # overlap (intersection over union) of two boxes of one person
_REVERSED: Final = -0.5  # cosine to the usual heading: taken upside down
_ALIKE: Final = 0.7  # length of the mean of unit vectors
_SEEN: Final = 0.3  # mean visibility of a real person; mirrored or printed people score less


@dataclass(frozen=True, eq=False)
class Look:
    """One picture of the survey: its size [px], everyone in it, and whether it shows a printed card.

    At the still start only: cards, for without a start there is no change to measure, and, where somebody
    is seen first, `measured`, the pose by the model that measures. The one that finds people places them
    less exactly.
    """

    time_s: float
    width: int
    height: int
    people: tuple[Pose, ...]
    cards: bool = False
    measured: Pose | None = None


@dataclass(frozen=True, eq=False)
class Survey:
    """The client and the surroundings, in pictures of the size used for measuring.

    height: of the pictures [px]; crop: left, top, right, bottom of what is shown to the pose model,
    halved so many times; client: the box of every place where the client was seen, None if nobody was;
    heading: where the client's head is, seen from the hips, a unit vector (2,), None if not always alike;
    start: the client in the still start; cards: whether a printed card is seen there.
    """

    height: int
    start_s: float
    start: Pose | None
    crop: tuple[int, int, int, int]
    halvings: int
    client: Floats | None
    heading: Floats | None
    cards: bool
    times_s: tuple[float, ...]
    people: tuple[int, ...]

    def shown(self, image: Image) -> Image:
        """The part of a picture round the client, as small as the pose model needs it."""
        left, top, right, bottom = self.crop
        return halved(image[top:bottom, left:right], self.halvings)

    def placed(self, pose: Pose) -> Pose:
        """A pose in what was shown, as one in the whole picture."""
        return Pose(pose.px * 2**self.halvings + self.crop[:2], pose.cm, pose.visibility)

    def is_client(self, pose: Pose) -> bool:
        """Whether somebody is where the client was seen, head and feet as then; true where nobody was."""
        if self.client is None:
            return True
        if self.heading is not None and float(_heading(pose) @ self.heading) < _REVERSED:
            return False
        inside = (pose.px >= self.client[:2]) & (pose.px <= self.client[2:])
        return bool(inside.all(1).mean() > 0.5)


def times(clip: Clip) -> tuple[float, ...]:
    """When to look: the still start, then evenly, at key frames where there are any near."""
    count = max(_LEAST, round(clip.duration_s / _EVERY_S))
    grid = np.linspace(0, clip.time_s[-1], count + 1)[1:] - clip.time_s[-1] / (2 * count)
    near = 0.4 * clip.time_s[-1] / count
    return (*_STILL_START_S, *(video.near_key(clip, t, near) for t in grid.tolist()))


def look(models: Models, job: tuple[Clip, Sequence[float]], tick: Tick) -> list[Look]:
    """Find everyone in the pictures at the given times."""
    clip, when = job
    looks: list[Look] = []
    for frame in video.frames(clip, when, threads=1):
        tick()
        people = tuple(p for p in models.finder.find(frame.image) if p.visibility.mean() > _SEEN)
        height, width = frame.image.shape[:2]
        still = frame.time_s <= _STILL_START_END_S
        cards = still and _shows_cards(frame.image)
        first = not any(one.people for one in looks)
        measured = _measured(models, frame.image) if still and people and first else None
        looks.append(Look(frame.time_s, width, height, people, cards, measured))
    return looks


def _measured(models: Models, image: Image) -> Pose | None:
    models.follower.forget(image)
    pose = models.follower.follow(image)
    models.follower.forget(image)
    return pose


def choose(clip: Clip, looks: Sequence[Look]) -> Survey:
    """Tell the client from passers-by: large, and in the same place over the clip."""
    if not looks:
        raise ClipError(
            f"No picture of {clip.path} can be decoded. Copy it again from the phone, or film again."
        )
    client = _client(looks)
    boxes = [p.box for p in client if p is not None]
    at = _start([one.time_s for one in looks], client)
    union = np.concatenate([np.min(boxes, 0)[:2], np.max(boxes, 0)[2:]]) if boxes else None
    size = (looks[0].width, looks[0].height)
    return Survey(
        height=looks[0].height,
        start_s=looks[at].time_s,
        start=_exactly(client[at], looks[at].measured),
        cards=looks[at].cards,
        crop=_crop(union, size),
        halvings=_halvings(boxes),
        client=None if union is None else _grown(union),
        heading=_usual_heading([p for p in client if p is not None]),
        times_s=tuple(one.time_s for one in looks),
        people=tuple(_count(one.people) for one in looks),
    )


def _shows_cards(image: Image) -> bool:
    seen = CardReader(image).read(image)
    return seen.pelvis is not None or seen.mat is not None


def _overlap(a: Floats, b: Floats) -> float:
    """Intersection over union of two boxes."""
    width, height = np.minimum(a[2:], b[2:]) - np.maximum(a[:2], b[:2])
    shared = max(width, 0.0) * max(height, 0.0)
    return float(shared / (_area(a) + _area(b) - shared))


def _area(box: Floats) -> float:
    return float(np.prod(np.maximum(box[2:] - box[:2], 1.0)))


def _client(looks: Sequence[Look]) -> list[Pose | None]:
    """The client in each picture: whoever is near the place of someone large who lies there most often."""

    def weight(pose: Pose) -> float:
        width, height = pose.box[2:] - pose.box[:2]
        lying = min(1.0, width / height)  # someone who stands by is tall and narrow
        stays = sum(max((_overlap(pose.box, p.box) for p in one.people), default=0.0) for one in looks)
        return float(lying * stays * np.sqrt(_area(pose.box)))

    everyone = [p for one in looks for p in one.people]
    if not everyone:
        return [None] * len(looks)
    model = max(everyone, key=weight).box
    nearest = [max(one.people, key=lambda p: _overlap(p.box, model), default=None) for one in looks]
    return [p if p is not None and _overlap(p.box, model) > _SAME else None for p in nearest]


def _start(times_s: Sequence[float], client: Sequence[Pose | None]) -> int:
    """Which picture is the still start: one with the client in it, if there is one about then."""
    order = sorted(range(len(times_s)), key=lambda i: abs(times_s[i] - _STILL_START_S[0]))
    near = [i for i in order if times_s[i] <= _STILL_START_END_S]
    return next((i for i in near if client[i] is not None), order[0])


def _exactly(client: Pose | None, measured: Pose | None) -> Pose | None:
    """The client as measured, where that is the same person."""
    if client is None or measured is None:
        return client
    return measured if _overlap(client.box, measured.box) > _SAME else client


def _count(people: Sequence[Pose]) -> int:
    """Number of different people: the model may report one twice."""
    different: list[Pose] = []
    for pose in people:
        if all(_overlap(pose.box, other.box) < _SAME for other in different):
            different.append(pose)
    return len(different)


def _heading(pose: Pose) -> Floats:
    """Unit vector (2,) from the hips to the shoulders."""
    along = pose.px[list(SHOULDERS)].mean(0) - pose.px[list(HIPS)].mean(0)
    return np.asarray(along / max(float(np.linalg.norm(along)), 1e-6))


def _usual_heading(client: Sequence[Pose]) -> Floats | None:
    """The same for most of the clip; None where the client turns round."""
    if not client:
        return None
    mean = np.mean([_heading(pose) for pose in client], axis=0)
    length = float(np.linalg.norm(mean))
    return np.asarray(mean / length) if length > _ALIKE else None


def _halvings(boxes: Sequence[Floats]) -> int:
    length = float(np.median([_longer(b) for b in boxes])) if boxes else _CLIENT_PX
    return max(0, int(np.log2(length / _CLIENT_PX)))


def _longer(box: Floats) -> float:
    return float((box[2:] - box[:2]).max())


def _grown(box: Floats) -> Floats:
    margin = _MARGIN * _longer(box)
    return box + margin * np.array([-1, -1, 1, 1])


def _crop(union: Floats | None, size: tuple[int, int]) -> tuple[int, int, int, int]:
    if union is None:
        return (0, 0, *size)
    left, top, right, bottom = _grown(union)
    return max(0, int(left)), max(0, int(top)), min(size[0], int(right) + 1), min(size[1], int(bottom) + 1)
