"""From a clip to its observations: survey, split, measure on all cores, join."""

from __future__ import annotations

import os
from bisect import bisect_left
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from analysis import video
from analysis.observe import part, survey
from analysis.observe.crew import Crew, crew
from analysis.observe.survey import Survey
from analysis.records import Clip, Observations

Progress = Callable[[float], None]

# Each part starts by finding the client anew, and by decoding from the key frame before it. Few parts must
# be alike, so that cores share them evenly; where there are many, they are longer and start at key frames.
_PART_S: Final = 6.0
_LONG_PART_S: Final = 18.0
_MANY: Final = 16
_NEAR: Final = 0.15  # of a part: how far its start may move to a key frame
_NEAR_OF_MANY: Final = 0.45
_ALONE_S: Final = 8.0  # up to here new processes take longer to start than they save


def observe(
    clip: Clip, *, fast: bool = False, workers: int | None = None, progress: Progress | None = None
) -> Observations:
    """Measure what the frames of a clip show, before any interpretation.

    fast: the smaller pose model. workers: number of processes, all cores by default; the result does not
    depend on it (landmarks to 0.01 px). progress: called with the share done, 0..1.
    Raises ClipError where no picture can be decoded, MatlineError when a worker process dies.
    """
    times_s = video.sample_times(clip)
    look_at = survey.times(clip)
    total = len(times_s) + len(look_at)
    tell = progress or (lambda share: None)
    with crew(_workers(clip, workers), fast=fast, counted=lambda done: tell(min(1.0, done / total))) as team:
        seen = _survey(clip, look_at, team, _workers(clip, workers))
        parts = [part.Part(clip, seen, t) for t in _split(clip, times_s)]
        arrays = team.each(part.measure, parts)
    tell(1.0)
    return _joined(clip, seen, times_s, arrays)


def _workers(clip: Clip, asked: int | None) -> int:
    if clip.duration_s <= _ALONE_S:
        return 1
    return asked or len(os.sched_getaffinity(0))


def _survey(clip: Clip, times_s: Sequence[float], team: Crew, workers: int) -> Survey:
    jobs = [(clip, tuple(some)) for some in np.array_split(times_s, workers) if len(some)]
    return survey.choose(clip, [one for looks in team.each(survey.look, jobs) for one in looks])


def _split(clip: Clip, times_s: tuple[float, ...]) -> list[tuple[float, ...]]:
    """Contiguous stretches: a power of two of them, which two, four or eight cores share evenly.

    They depend on the clip alone, so that results do not depend on the machine.
    """
    count = min(_MANY, _power_of_two(clip.duration_s / _PART_S))
    count = max(count, _power_of_two(clip.duration_s / _LONG_PART_S))
    length_s = clip.duration_s / count
    near_s = length_s * (_NEAR if count < _MANY else _NEAR_OF_MANY)
    starts = [video.near_key(clip, i * length_s, near_s) for i in range(1, count)]
    bounds = [0, *(bisect_left(times_s, t) for t in starts), len(times_s)]
    return [times_s[a:b] for a, b in pairwise(bounds) if a < b]


def _power_of_two(at_most: float) -> int:
    return 1 << max(0, int(np.log2(max(1.0, at_most))))


def _joined(
    clip: Clip, seen: Survey, times_s: tuple[float, ...], arrays: Sequence[part.Arrays]
) -> Observations:
    """One record from the parts, pixels in the clip's own size."""
    start_px = arrays[0]["fabric_start_px"]
    fields = {
        name: np.concatenate([a[name] for a in arrays]) for name in arrays[0] if name != "fabric_start_px"
    }
    scale = clip.height / seen.height
    fields["landmarks_px"] *= scale
    fields["fabric_px"] *= scale
    nearest = np.abs(np.subtract.outer(times_s, seen.times_s)).argmin(1)
    return Observations(
        time_s=np.array(times_s),
        width=clip.width,
        height=clip.height,
        people=np.array(seen.people, float)[nearest],
        fabric_start_px=start_px * scale,
        **fields,
    )
