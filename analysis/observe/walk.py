"""From a clip to its observations: survey, split, measure on all cores, join."""

from __future__ import annotations

import os
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from typing import Final

import numpy as np

from analysis import video
from analysis.observe import part, survey
from analysis.observe.crew import Crew, crew
from analysis.observe.legs import told_apart
from analysis.observe.rest import start_found
from analysis.observe.survey import Survey
from analysis.records import Clip, Observations

Progress = Callable[[float], None]

# Each part starts by finding the client anew, and by decoding from the key frame before it. Few parts must
# be alike, so that cores share them evenly; where there are many, they are longer and start at key frames.
_PART_S: Final = 6.0
_LONG_PART_S: Final = 18.0
_MANY: Final = 16
# Of a part: how far its start may move to a key frame. Uneven parts cost more time than decoding does.
_NEAR: Final = 0.05
_NEAR_OF_MANY: Final = 0.45
_ALONE_S: Final = 8.0  # up to here new processes take longer to start than they save


def observe(
    clip: Clip,
    *,
    fast: bool = False,
    cloth: bool = False,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Observations:
    """Measure what the frames of a clip show, before any interpretation.

    fast: the smaller pose model. cloth: follow the cloth over the pelvis from picture to picture, for
    movements of the pelvis itself. workers: number of processes, all cores by default; the result does not
    depend on it (landmarks to 0.01 px). progress: called with the share done, 0..1.
    Raises ClipError where no picture can be decoded, MatlineError when a worker process dies.
    """
    look_at, stretches = survey.times(clip), _split(clip, video.sample_times(clip))
    count, total = _workers(clip, workers), len(look_at) + sum(map(len, stretches))
    with _team(count, progress, total, fast=fast) as team:
        seen = _survey(clip, look_at, team, count)
        return join(clip, seen, _measured(team, clip, seen, stretches, cloth=cloth))


# The three steps of `observe` one by one, for programs that measure the parts on several machines. The
# result is the same: a part is some of the stretches into which `observe` cuts a clip anyway.


def look(clip: Clip, *, workers: int | None = None, progress: Progress | None = None) -> Survey:
    """First step, once a clip: find the client. Raises as `observe` does."""
    look_at, count = survey.times(clip), _workers(clip, workers)
    with _team(count, progress, len(look_at)) as team:
        return _survey(clip, look_at, team, count)


def most_parts(clip: Clip) -> int:
    """Into how many parts a clip can be cut."""
    return len(_split(clip, video.sample_times(clip)))


def observe_part(
    clip: Clip,
    seen: Survey,
    number: int,
    of: int,
    *,
    cloth: bool = False,
    workers: int | None = None,
    progress: Progress | None = None,
) -> part.Arrays:
    """Second step, once for each number from 0 to `of` - 1: measure this part. Raises as `observe` does."""
    stretches = _split(clip, video.sample_times(clip))
    mine = [stretches[i] for i in np.array_split(np.arange(len(stretches)), of)[number]]
    count = min(len(mine), _workers(clip, workers))
    with _team(count, progress, sum(map(len, mine))) as team:
        return _concatenated(_measured(team, clip, seen, mine, cloth=cloth))


def join(clip: Clip, seen: Survey, parts: Sequence[part.Arrays]) -> Observations:
    """Last step: one record from all parts in their order, pixels in the clip's own size."""
    fields = _concatenated(parts)
    times_s = video.sample_times(clip)
    scale = clip.height / seen.height
    for name in ("landmarks_px", "fabric_px", "fabric_start_px"):
        fields[name] = fields[name] * scale
    nearest = np.abs(np.subtract.outer(times_s, seen.times_s)).argmin(1)
    whole = Observations(
        time_s=np.array(times_s),
        width=clip.width,
        height=clip.height,
        people=np.array(seen.people, float)[nearest],
        **fields,
    )
    return start_found(told_apart(whole))


def _concatenated(parts: Sequence[part.Arrays]) -> part.Arrays:
    whole = {name: np.concatenate([a[name] for a in parts]) for name in parts[0] if name != part.START}
    return whole | {part.START: parts[0][part.START]}


@contextmanager
def _team(count: int, progress: Progress | None, total: int, *, fast: bool = False) -> Iterator[Crew]:
    """Workers who tell the share of so many pictures."""
    tell = progress or (lambda share: None)
    with crew(count, fast=fast, counted=lambda done: tell(min(1.0, done / total))) as team:
        yield team
    tell(1.0)


def _workers(clip: Clip, asked: int | None) -> int:
    if clip.duration_s <= _ALONE_S:
        return 1
    return asked or len(os.sched_getaffinity(0))


def _survey(clip: Clip, times_s: Sequence[float], team: Crew, workers: int) -> Survey:
    """One worker looks at the still start, the others at the rest."""
    start, rest = times_s[: survey.STILL_STARTS], times_s[survey.STILL_STARTS :]
    jobs = [(clip, tuple(some)) for some in (start, *np.array_split(rest, max(1, workers - 1)))]
    return survey.choose(clip, [one for looks in team.each(survey.look, jobs) for one in looks])


def _measured(
    team: Crew, clip: Clip, seen: Survey, stretches: Sequence[tuple[float, ...]], *, cloth: bool
) -> list[part.Arrays]:
    """The stretches in their order; the longest are begun first, so that no core waits long for another."""
    order = sorted(range(len(stretches)), key=lambda i: -len(stretches[i]))
    found = team.each(part.measure, [part.Part(clip, seen, stretches[i], cloth) for i in order])
    return [arrays for _, arrays in sorted(zip(order, found, strict=True), key=lambda pair: pair[0])]


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
