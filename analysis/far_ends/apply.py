"""The pelvis's motion corrected by what the far ends show when they are compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import PELVIC_SIGNALS
from analysis.exercises import Exercise
from analysis.exercises.schema import PELVIS_FINDINGS
from analysis.far_ends.ends import pairs
from analysis.far_ends.estimate import ONE_SIDED, Reading, turns
from analysis.far_ends.turned import turned
from analysis.pelvis import PelvisMotion
from analysis.pelvis.measure import GOOD_DEG
from analysis.records import Clip, Floats, Observations, Skeleton
from analysis.repetitions import Span, course
from analysis.skeleton.camera import mat_in_camera

_FEWEST_SAMPLES: Final = 6
_HALF_WIDTH: Final = 1.96  # 95 %, in standard deviations


def compared(
    pelvis: PelvisMotion,
    clip: Clip,
    observations: Observations,
    body: Skeleton,
    spans: Sequence[Span],
    exercise: Exercise,
) -> PelvisMotion:
    """The motion with each far end as the pictures tell it, for the signals that the exercise judges.

    Signals that a card sees well stay as they are. Raises ClipError.
    """
    judged = [name for kind, name in PELVIS_FINDINGS.items() if kind in exercise.limits]
    judged = [name for name in judged if not _by_card(pelvis, name)]
    camera = mat_in_camera(observations, body)
    whole = [s for s in spans if s.complete]
    if not judged or camera is None or not whole:
        return pelvis
    read = _readings(clip, observations, whole, camera)
    for name in judged:
        pelvis = _corrected(pelvis, name, observations.time_s, whole, read[PELVIC_SIGNALS.index(name)])
    return pelvis


def _by_card(pelvis: PelvisMotion, name: str) -> bool:
    return pelvis.sources.get(name) == "card" and pelvis.uncertainty_deg[name] <= GOOD_DEG


def _readings(
    clip: Clip, observations: Observations, spans: Sequence[Span], camera: Floats
) -> list[list[Reading]]:
    """Readings of every pelvic signal."""
    seen = list(pairs(clip, observations, spans, camera))
    read: list[list[Reading]] = [[] for _ in PELVIC_SIGNALS]
    for between in ("start_and_far_end", "far_ends"):
        of_kind = [(i, j, p) for i, j, p in seen if (i is None) == (between == "start_and_far_end")]
        if not of_kind:
            continue
        changes, errors = turned(between, [p for *_, p in of_kind])
        for (i, j, _), change, error in zip(of_kind, changes, errors, strict=True):
            for axis, readings in enumerate(read):
                readings.append(Reading(i, j, float(change[axis]), float(error[axis])))
    return read


def _corrected(
    pelvis: PelvisMotion, name: str, time_s: Floats, spans: Sequence[Span], read: Sequence[Reading]
) -> PelvisMotion:
    """The signal with every far end as it agrees best with what was read now and before."""
    told = {k for r in read for k in (r.first, r.second) if k is not None}
    before = pelvis.change_uncertainty_deg.get(name, np.inf)
    values = np.array(pelvis.values.get(name, np.zeros(len(time_s))))
    bridged = pelvis.bridged.get(name, values)
    over = np.array(pelvis.overstated_deg.get(name, np.full(len(time_s), before)))
    under = np.full(len(time_s), before)
    places = {k: at for k in told if (at := _around(time_s, bridged, spans, k)).sum() >= _FEWEST_SAMPLES}
    was = {k: _reach(time_s[at], bridged[at], spans[k]) for k, at in places.items()}
    known = [Reading(None, k, deg, before / _HALF_WIDTH, "before") for k, deg in was.items()]
    found = turns([*read, *(known if np.isfinite(before) else ())], len(spans))
    for k, at in places.items():
        values[at] = bridged[at] + (found.deg[k] - was[k]) * course.progress(time_s[at], spans[k])
        away = 1.0 if found.deg[k] >= 0 else -1.0
        least, most = np.sort(away * found.bounds_deg[k])
        over[at], under[at] = away * found.deg[k] - least, most - away * found.deg[k]
    if not places:
        return pelvis
    half = float(np.median(np.ptp(found.bounds_deg[list(places)], axis=1))) / 2 / ONE_SIDED * _HALF_WIDTH
    return replace(
        pelvis,
        values=pelvis.values | {name: values},
        bridged=pelvis.bridged | {name: np.where(np.isfinite(values), values, bridged)},
        overstated_deg=pelvis.overstated_deg | {name: over},
        understated_deg=pelvis.understated_deg | {name: under},
        change_uncertainty_deg=pelvis.change_uncertainty_deg | {name: half},
        uncertainty_deg={name: half} | pelvis.uncertainty_deg,
        sources=pelvis.sources | {name: "fabric"},
    )


def _around(time_s: Floats, values: Floats, spans: Sequence[Span], k: int) -> NDArray[np.bool_]:
    """Where a repetition and the rest beside it were seen (T,)."""
    first, last = course.windows(spans)[k]
    return (time_s >= first) & (time_s <= last) & np.isfinite(values)


def _reach(time_s: Floats, values: Floats, span: Span) -> float:
    """How far the signal goes from rest in a repetition [deg]."""
    return float(course.fit(time_s, values[:, None], span, "return")[0][0, 0])
