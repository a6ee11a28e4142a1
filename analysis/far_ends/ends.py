"""The still start and the far ends of the repetitions, taken from the clip once more, two and two."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analysis import video
from analysis.far_ends.pair import End, Pair, pair
from analysis.far_ends.window import Image, Window, window
from analysis.records import Clip, Floats, Observations, RepetitionSide
from analysis.repetitions import Span
from analysis.skeleton.features import picture_scale, start_frames

MOST_BEFORE: Final = 5  # repetitions of its side that each one is compared with: pictures are not kept
_MEAN_OVER_S: Final = 0.12  # each way: landmarks wander less than in one picture
OUTWARD: Final[Mapping[RepetitionSide, float]] = {"left": 1.0, "right": -1.0, "both": 0.0}


@dataclass(frozen=True, eq=False)
class _Seen:
    """Landmarks at one moment: px (33, 2), cm (33, 3), visibility (33,)."""

    time_s: float
    px: Floats
    cm: Floats
    visibility: Floats

    def end(self, at: Window, picture: Image, per_px: float) -> End:
        """What a window shows of the picture, which has `per_px` pixels for each of the landmarks'."""
        in_picture = replace(at, hips=at.hips * per_px, scale=at.scale * per_px)
        return End(in_picture.cut(picture), self.px, self.cm, self.visibility)


def pairs(
    clip: Clip, observations: Observations, spans: Sequence[Span], camera: Floats
) -> Iterator[tuple[int | None, int, Pair]]:
    """Numbers and what moved: from the still start (None) to each far end, and between far ends of one side.

    camera (3, 3): mat frame to camera axes. Moments in which the client was not seen are left out.
    Raises ClipError.
    """
    start = _still_start(observations)
    far = {k: seen for k, s in enumerate(spans) if (seen := _landmarks(observations, s.turn_s)) is not None}
    if not far:
        return
    scale = picture_scale(observations.landmarks_px)
    windows = {side: window(np.array([far[k].px for k in far if spans[k].side == side]), scale)
               for side in {spans[k].side for k in far}}  # fmt: skip
    at_start, first = window(start.px[None], scale) if start else None, None
    before: dict[RepetitionSide, deque[tuple[int, End]]] = defaultdict(lambda: deque(maxlen=MOST_BEFORE))
    numbers: dict[float, int | None] = {seen.time_s: k for k, seen in far.items()}
    if start:
        numbers[start.time_s] = None
    for time_s, picture in _pictures(clip, sorted(numbers)):
        k, per_px = numbers[time_s], picture.shape[1] / observations.width
        if k is None:
            first = start.end(at_start, picture, per_px) if start and at_start else None
            continue
        side, at = spans[k].side, windows[spans[k].side]
        if first and at_start:
            end = far[k].end(at_start, picture, per_px)
            yield None, k, pair(first, end, at_start, camera, OUTWARD[side])
        if at:
            end = far[k].end(at, picture, per_px)
            for i, earlier in before[side]:
                yield i, k, pair(earlier, end, at, camera, OUTWARD[side])
            before[side].append((k, end))


def _pictures(clip: Clip, times_s: Sequence[float]) -> Iterator[tuple[float, Image]]:
    """The pictures nearest to the times, each with the time asked for; none where one is missing."""
    places = np.array(times_s)
    for frame in video.frames(clip, times_s):
        yield times_s[int(np.abs(places - frame.time_s).argmin())], frame.image


def _still_start(observations: Observations) -> _Seen | None:
    """A moment in the middle of the still start at which the client is seen."""
    times = observations.time_s[start_frames(observations.time_s)]
    seen = (_landmarks(observations, float(t)) for t in sorted(times, key=lambda t: abs(t - times.mean())))
    return next((one for one in seen if one is not None), None)


def _landmarks(observations: Observations, time_s: float) -> _Seen | None:
    """Means over a short time; None where the client was not seen."""
    near = np.abs(observations.time_s - time_s) <= _MEAN_OVER_S
    near &= np.isfinite(observations.landmarks_px).all(axis=(1, 2))
    if not near.any():
        return None
    o = observations
    px, cm, visibility = (v[near].mean(axis=0) for v in (o.landmarks_px, o.landmarks_cm, o.visibility))
    return _Seen(time_s, px, cm, visibility)
