"""The pelvis's motion corrected by what the far ends show when they are compared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import PELVIC_SIGNALS, PELVIC_TILT
from analysis.exercises import Exercise
from analysis.exercises.schema import PELVIS_FINDINGS
from analysis.far_ends.ends import pairs
from analysis.far_ends.estimate import Reading, turns
from analysis.far_ends.pair import Pair
from analysis.far_ends.turned import FAR_ENDS, START_AND_FAR_END, Between, turned
from analysis.pelvis import PelvisMotion
from analysis.pelvis.measure import GOOD_DEG, UNUSUAL_DEG
from analysis.records import Clip, Floats, Observations, Skeleton
from analysis.repetitions import Span, course
from analysis.skeleton import trunk_curl
from analysis.skeleton.camera import mat_in_camera
from analysis.statistics import mixed_half_width

_FEWEST_SAMPLES: Final = 6
_LEAST_SEEN: Final = 0.6  # of the farther half of a way, for a card to tell of its far end
_AT_ONCE: Final = 24  # pairs: what moved in them is not kept for long
_HALF_WIDTH: Final = 1.96  # 95 %, in standard deviations
# 95 % half-width of a value in any picture, as a share of that of a change up to a far end: most pictures
# show less of the movement, and bounds are wider than usual errors. In 108 rendered clips of new people 97 %
# of all values and 94 % of those around the far ends lie within half of it; of hikes, in 96 others, 98 and
# 94 % within 0.3.
_VALUE_SHARE: Final = {"pelvic_tilt": 0.5, "pelvic_obliquity": 0.3, "pelvic_rotation": 0.5}

# Cloth over the pelvis that shows less than this [grey values a pixel, where the window's deviate by 45] may
# hide a turn altogether: of 9 turns of 4 deg and more in rendered people in dark clothes 3 were not seen when
# compared with the still start; on cloth that shows more all 120 were.
_PLAIN: Final = 0.86

# A trunk that stirs looks like a tilt, by 0.6 to 0.9 of it where the legs move, and so does a part of one
# that curls: one-sided 95 % error, and share of the curl. In 105 rendered clips, trunks stir by 0.5 deg
# (standard deviation; an amount without a source).
_STIRS_DEG, _CURLS_SHARE = 1.1, 0.035


def compared(
    pelvis: PelvisMotion,
    clip: Clip,
    observations: Observations,
    body: Skeleton,
    spans: Sequence[Span],
    exercise: Exercise,
) -> PelvisMotion:
    """The motion with each far end as the pictures tell it, for the signals that the exercise judges.

    Far ends that a card sees well stay as they are. Raises ClipError.
    """
    camera = mat_in_camera(observations, body)
    whole, time_s = [s for s in spans if s.complete], observations.time_s
    judged = [name for kind, name in PELVIS_FINDINGS.items() if kind in exercise.limits]
    untold = {name: _untold(pelvis, name, time_s, whole) for name in judged}
    if camera is None or not any(untold.values()):
        return pelvis
    # A card that showed no far end says nothing of how far they go.
    covered = [name for name in judged if _by_card(pelvis, name) and len(untold[name]) == len(whole)]
    pelvis = _as_unknown(pelvis, covered)
    read, plain = _readings(clip, observations, whole, camera)
    stirred = _stirred(time_s, body, whole)
    for name in judged:
        told = read[PELVIC_SIGNALS.index(name)]
        if name in exercise.cloth_misses:
            told = [reading for reading in told if reading.first is not None]
        besides = stirred if name == PELVIC_TILT else np.zeros(len(whole))
        corrected = _corrected(pelvis, name, time_s, whole, told, untold[name], besides)
        as_unsure = name in exercise.cloth_misses or _by_card(pelvis, name)
        pelvis = _as_unsure(corrected, pelvis, name) if as_unsure else corrected
    return _on_plain(pelvis, [n for n in judged if not _by_card(pelvis, n)], time_s, whole, plain)


def _untold(pelvis: PelvisMotion, name: str, time_s: Floats, spans: Sequence[Span]) -> set[int]:
    """Repetitions of whose far ends no good card tells: all of them, or those in which it is covered."""
    every = set(range(len(spans)))
    if not _by_card(pelvis, name):
        return every
    known = np.isfinite(pelvis.values[name])
    return {k for k in every if known[course.far_half(time_s, spans[k])].mean() < _LEAST_SEEN}


def _as_unknown(pelvis: PelvisMotion, names: Sequence[str]) -> PelvisMotion:
    """With how far some signals go not known."""
    unknown = dict.fromkeys(names, UNUSUAL_DEG)
    return replace(pelvis, change_uncertainty_deg=pelvis.change_uncertainty_deg | unknown)


def _on_plain(
    pelvis: PelvisMotion, names: Sequence[str], time_s: Floats, spans: Sequence[Span], plain: set[int]
) -> PelvisMotion:
    """With turns possibly missed at far ends where the cloth is plain, and in the clip where it mostly is."""
    around = list(course.windows(spans))
    hidden = np.zeros(len(time_s), bool)
    for k in plain:
        hidden |= (time_s >= around[k][0]) & (time_s <= around[k][1])
    under = {name: pelvis.understated_deg[name] for name in names if name in pelvis.understated_deg}
    wider = {name: np.where(hidden, np.maximum(w, UNUSUAL_DEG), w) for name, w in under.items()}
    pelvis = replace(pelvis, understated_deg=pelvis.understated_deg | wider)
    return _as_unknown(pelvis, [*under]) if 2 * len(plain) > len(spans) else pelvis


def _as_unsure(corrected: PelvisMotion, before: PelvisMotion, name: str) -> PelvisMotion:
    """Stated as unsure as before: which repetition differs is known, what all have in common is not.

    Values that fill gaps of a card are as unsure as the far ends round which they lie.
    """
    value, change = (
        {k: v for k, v in stated.items() if k == name}
        for stated in (before.uncertainty_deg, before.change_uncertainty_deg)
    )
    share = _filled(corrected, before, name) if _by_card(before, name) else 0.0
    if share:
        widths = corrected.change_uncertainty_deg[name], value[name]
        value = {name: mixed_half_width(widths, (share, 1 - share))}
    return replace(
        corrected,
        uncertainty_deg=corrected.uncertainty_deg | value,
        change_uncertainty_deg=corrected.change_uncertainty_deg | change,
    )


def _filled(corrected: PelvisMotion, before: PelvisMotion, name: str) -> float:
    """Share of the pictures in which a signal is told now and was not before."""
    told, was = (np.isfinite(pelvis.values[name]) for pelvis in (corrected, before))
    return float((told & ~was).sum() / max(told.sum(), 1))


def _by_card(pelvis: PelvisMotion, name: str) -> bool:
    return pelvis.sources.get(name) == "card" and pelvis.uncertainty_deg[name] <= GOOD_DEG


def _readings(
    clip: Clip, observations: Observations, spans: Sequence[Span], camera: Floats
) -> tuple[list[list[Reading]], set[int]]:
    """Readings of every pelvic signal, and the far ends at which the cloth is plain."""
    plain: set[int] = set()
    read: list[list[Reading]] = [[] for _ in PELVIC_SIGNALS]
    seen = pairs(clip, observations, spans, camera)
    while some := list(islice(seen, _AT_ONCE)):
        plain |= {second for _, second, pair in some if pair.cloth() < _PLAIN}
        for between in (START_AND_FAR_END, FAR_ENDS):
            of_kind = [one for one in some if (one[0] is None) == (between is START_AND_FAR_END)]
            for axis, reading in _read(between, of_kind):
                read[axis].append(reading)
    return read, plain


def _read(between: Between, seen: Sequence[tuple[int | None, int, Pair]]) -> Iterator[tuple[int, Reading]]:
    """Axes and readings of some pairs of one kind."""
    if not seen:
        return
    changes, errors = turned(between, [pair for *_, pair in seen])
    for n, (first, second, _) in enumerate(seen):
        for axis in np.flatnonzero(np.isfinite(changes[n])).tolist():
            yield axis, Reading(first, second, float(changes[n, axis]), float(errors[n, axis]))


def _corrected(
    pelvis: PelvisMotion,
    name: str,
    time_s: Floats,
    spans: Sequence[Span],
    read: Sequence[Reading],
    untold: set[int],
    besides_deg: Floats,
) -> PelvisMotion:
    """The signal with every far end that was `untold` as it agrees best with what was read now and before.

    besides_deg (n,): error of each that no reading tells.
    """
    before = pelvis.change_uncertainty_deg.get(name, np.inf)
    values = np.array(pelvis.values.get(name, np.zeros(len(time_s))))
    bridged = pelvis.bridged.get(name, values)
    told = {k for r in read for k in (r.first, r.second) if k is not None}
    places = {k: at for k, at in _around(time_s, bridged, spans).items() if k in told}
    was = {k: _reached(time_s[at], bridged[at], spans[k]) for k, at in places.items()}
    if not was or not untold:
        return pelvis
    by_card = _by_card(pelvis, name)
    known = was.keys() - untold if by_card else was.keys() if np.isfinite(before) else ()
    own = [Reading(None, k, was[k], before / _HALF_WIDTH, "before") for k in known]
    found = turns([*read, *own], len(spans))
    size = np.abs(found.deg)
    over = np.array(pelvis.overstated_deg.get(name, np.full(len(time_s), before)))
    under = np.full(len(time_s), before)
    for k, at in places.items():
        if k in untold:
            values[at] = bridged[at] + (found.deg[k] - was[k]) * course.progress(time_s[at], spans[k])
            over[at] = np.hypot(size[k] - found.least_deg[k], besides_deg[k])
            under[at] = np.hypot(found.most_deg[k] - size[k], besides_deg[k])
    half = float(np.median(np.hypot(found.most_deg - size, besides_deg)[list(was.keys() & untold)]))
    return replace(
        pelvis,
        values=pelvis.values | {name: values},
        bridged=pelvis.bridged | {name: np.where(np.isfinite(values), values, bridged)},
        overstated_deg=pelvis.overstated_deg | {name: over},
        understated_deg=pelvis.understated_deg | {name: under},
        change_uncertainty_deg=pelvis.change_uncertainty_deg | {name: half},
        uncertainty_deg=pelvis.uncertainty_deg | {name: _VALUE_SHARE[name] * half},
        source="card" if pelvis.source == "card" else "fabric",
        sources=pelvis.sources | {name: "card" if by_card else "fabric"},
    )


def _stirred(time_s: Floats, body: Skeleton, spans: Sequence[Span]) -> Floats:
    """Error of the tilt at each far end (n,) by what the trunk does [deg], one-sided 95 %."""
    curl = trunk_curl(body.directions["trunk"])
    curls = [curl[(time_s >= s.start_s) & (time_s <= s.end_s)] for s in spans]
    most = np.array([np.ptp(c[np.isfinite(c)]) if np.isfinite(c).any() else 0.0 for c in curls])
    return np.asarray(np.hypot(_STIRS_DEG, _CURLS_SHARE * most))


def _around(time_s: Floats, values: Floats, spans: Sequence[Span]) -> dict[int, NDArray[np.bool_]]:
    """Where each repetition and the rest beside it were seen (T,); none of which too little was."""
    seen = np.isfinite(values)
    around = enumerate(course.windows(spans))
    places = {k: seen & (time_s >= first) & (time_s <= last) for k, (first, last) in around}
    return {k: at for k, at in places.items() if at.sum() >= _FEWEST_SAMPLES}


def _reached(time_s: Floats, values: Floats, span: Span) -> float:
    """How far the signal goes from rest in a repetition [deg]."""
    return float(course.fit(time_s, values[:, None], span, "return")[0][0, 0])
