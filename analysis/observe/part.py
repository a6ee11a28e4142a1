"""Measures one stretch of a clip, picture by picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis import video
from analysis.card.reader import CardReader, Sighting
from analysis.fabric import SPOTS, FabricTracker
from analysis.landmarks import COUNT, Floats, Follower, Image, Pose
from analysis.observe.background import Background, brightness
from analysis.observe.crew import Models, Tick
from analysis.observe.movement import Movement
from analysis.observe.survey import Survey
from analysis.records import Clip

Arrays = dict[str, Floats]

START = "fabric_start_px"  # the one field without a time axis: the same in every part
_SHIFT_EVERY = 3  # pictures; a phone that moves is seen as well four times a second
_MOVED_EVERY = 6  # pictures; a client who moves is still on the way, or out there, half a second later

_SHAPES: dict[str, tuple[int, ...]] = {
    "landmarks_px": (COUNT, 2),
    "landmarks_cm": (COUNT, 3),
    "visibility": (COUNT,),
    "brightness": (),
    "camera_shift": (),
    "client_moved": (),
    "card_rotation": (3, 3),
    "card_covariance": (3, 3),
    "mat_rotation": (3, 3),
    "fabric_px": (SPOTS, 2),
}


@dataclass(frozen=True, eq=False)
class Part:
    """A stretch of the clip: the times of its pictures [s], and whether the cloth is followed."""

    clip: Clip
    survey: Survey
    times_s: tuple[float, ...]
    cloth: bool


def measure(models: Models, part: Part, tick: Tick) -> Arrays:
    """Arrays by field of `Observations`, (T, ...), NaN where a picture is damaged or shows nothing.

    `START` alone has no time axis. Pixels are of the pictures measured, which are smaller than the clip's.
    """
    reference = next(video.frames(part.clip, [part.survey.start_s], threads=1)).image
    watchers = _Watchers(reference, part)
    arrays = {name: np.full((len(part.times_s), *shape), np.nan) for name, shape in _SHAPES.items()}
    row = {time_s: i for i, time_s in enumerate(part.times_s)}
    client = _Client(models.follower, part.survey, part.survey.shown(reference))
    for frame in video.frames(part.clip, part.times_s, threads=1):
        tick()
        shown = part.survey.shown(frame.image)
        pose = client.follow(shown)
        for name, value in watchers.see(frame.image, shown, pose).items():
            arrays[name][row[frame.time_s]] = value
    return arrays | {START: watchers.fabric_start_px}


class _Client:
    """Follows the client, always from the still start on.

    Whoever is looked for anew in the middle of a movement may be found upside down; the still start shows
    the client as the survey does.
    """

    def __init__(self, follower: Follower, survey: Survey, start: Image) -> None:
        """start: what is shown of the still start."""
        self._follower, self._survey, self._start = follower, survey, start
        self._lost = False
        self._look_at_start()

    def follow(self, shown: Image) -> Pose | None:
        """The client's pose in the whole picture; None where only somebody else is seen."""
        pose = self._next(shown)
        if pose is None and not self._lost:
            self._look_at_start()
            pose = self._next(shown)
        self._lost = pose is None
        return pose

    def _look_at_start(self) -> None:
        self._follower.forget(self._start)
        if self._survey.start is not None:
            self._follower.begin(self._start)

    def _next(self, shown: Image) -> Pose | None:
        pose = self._follower.follow(shown)
        if pose is None:
            return None
        pose = self._survey.placed(pose)
        if self._survey.is_client(pose):
            return pose
        self._follower.forget(shown)
        return None


class _Watchers:
    """Everything that looks at a picture, from the same still start in every part."""

    def __init__(self, reference: Image, part: Part) -> None:
        survey = part.survey
        self._background = Background(reference, survey.client)
        self._movement = None if survey.client is None else Movement(reference, survey.client)
        self._pictures, self._shift = 0, np.nan
        self._cards = CardReader(reference) if survey.cards else None
        start = np.full((COUNT, 2), np.nan) if survey.start is None else survey.start.px
        self._fabric = FabricTracker(reference, start) if part.cloth else None

    @property
    def fabric_start_px(self) -> Floats:
        """Spots of the cloth at the still start (SPOTS, 2); NaN where it is not followed."""
        return np.full((SPOTS, 2), np.nan) if self._fabric is None else self._fabric.start_px

    def see(self, image: Image, shown: Image, pose: Pose | None) -> dict[str, object]:
        """Values by field of one picture, and of what of it is shown to the pose model."""
        if self._pictures % _SHIFT_EVERY == 0:
            self._shift = self._background.shift(image)
        moved = np.nan
        if self._movement and self._pictures % _MOVED_EVERY == 0:
            moved = self._movement.since_start(image)
        self._pictures += 1
        seen: dict[str, object] = {
            "brightness": brightness(shown),
            "camera_shift": self._shift,
            "client_moved": moved,
        }
        if self._cards is not None:
            seen |= _of_cards(self._cards.read(image))
        if pose is not None:
            seen |= {"landmarks_px": pose.px, "landmarks_cm": pose.cm, "visibility": pose.visibility}
            if self._fabric is not None:
                seen["fabric_px"] = self._fabric.update(image, pose.px)
        return seen


def _of_cards(cards: Sighting) -> dict[str, object]:
    seen: dict[str, object] = {}
    if cards.pelvis is not None:
        seen |= {"card_rotation": cards.pelvis.rotation, "card_covariance": cards.pelvis.covariance_deg2}
    if cards.mat is not None:
        seen["mat_rotation"] = cards.mat.rotation
    return seen
