"""From spans to judged repetitions, the comparison of the sides, and findings of the whole set."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from analysis.conventions import SIDES, Side
from analysis.exercises import Exercise, Prescription
from analysis.exercises.schema import PELVIS_FINDINGS
from analysis.findings import texts
from analysis.findings.changes import LEAST_SEEN
from analysis.findings.checks import Check, checks, direction
from analysis.findings.measures import (
    Measured,
    can_clear,
    measure,
    stated_pelvis,
    stated_range,
)
from analysis.records import Finding, Floats, Measures, Motion, Repetition, SideComparison, Verdict
from analysis.repetitions import Span, signals
from analysis.symmetry import compare_sides

# Stated half-width of a knee that says that the body was lost: of 658 rendered clips in light two had
# more, with knees 70 deg off and more, once with left and right exchanged; the others had 22 at most.
_LOST_DEG = 30.0


class Judged(NamedTuple):
    """Judged repetitions, left against right by measure, and findings of the whole set."""

    repetitions: tuple[Repetition, ...]
    sides: dict[str, SideComparison]
    findings: tuple[Finding, ...]


def judge(
    spans: Sequence[Span],
    motion: Motion,
    exercise: Exercise,
    prescription: Prescription | None = None,
    places: Mapping[str, Floats] | None = None,
    tuck_arch_deg: float | None = None,
    *,
    unsure: bool = False,
) -> Judged:
    """Judge the repetitions of one set.

    `places` holds "ankle_left" and "ankle_right" (T,), along the mat [cm], as `spots_cm` finds them; without
    it a tap's spot cannot be measured. `tuck_arch_deg` is the client's own range of pelvic tilt. A finding
    fires only beyond its limit and uncertainty. The verdict is `borderline` between the two, where the clip
    can rule out no motion of the pelvis that the exercise judges, and where it cannot rule out one that cloth
    never shows. A repetition of which too much was hidden, or that the clip cuts off, is `not_measured`.
    Nor is one measured where the body was lost.
    `unsure`: the clip errs in ways that it does not tell: landmarks fire no finding, and nothing is cleared.
    """
    done = measure(spans, motion, exercise, places)
    whole = [m for m in done if m.span.complete]
    lost = _lost(motion)
    made = [[] for _ in whole] if lost else checks(whole, motion, exercise, prescription or Prescription())
    if unsure:
        made = [[_left_open(c) for c in of_one] for of_one in made]
    checked = dict(zip((id(m) for m in whole), made, strict=True))
    blind = _blind(motion, exercise)
    judged = tuple(
        _judged(
            i + 1,
            m,
            checked.get(id(m), []),
            blind,
            m.numbers(exercise, tuck_arch_deg),
            unsure=unsure,
            lost=lost,
        )
        for i, m in enumerate(done)
    )
    sides = {} if lost else _sides(whole, motion, exercise)
    return Judged(judged, sides, (*_unseen(done, motion, exercise, places), *_uneven(sides)))


def _lost(motion: Motion) -> bool:
    """Whether the fitted body says itself that it may be anything."""
    stated = [width for name, width in motion.uncertainty_deg.items() if name.startswith("knee")]
    return max(stated, default=0.0) > _LOST_DEG


def _left_open(check: Check) -> Check:
    """A check that clears nothing, and raises no finding, unless pictures tell it rather than landmarks."""
    fires = check.uncertainty if check.kind in PELVIS_FINDINGS else math.inf
    return replace(check, uncertainty=fires, understated=math.inf)


def _judged(
    index: int,
    m: Measured,
    made: Sequence[Check],
    blind: tuple[str, ...],
    numbers: Measures,
    *,
    unsure: bool,
    lost: bool,
) -> Repetition:
    """blind: kinds of finding that nothing in the clip can rule out."""
    span = m.span
    # An exercise without limits leaves nothing open, and yet an unsure clip clears nothing.
    unknown = span.measured < LEAST_SEEN or None in m.pelvis.values() or (unsure and not made) or lost
    seen = span.measured >= LEAST_SEEN or span.hidden  # of a hidden leg, tempo and spot are known
    findings = [c.finding() for c in made if c.beyond] if seen else []
    verdict: Verdict = "sound"
    near: tuple[str, ...] = ()
    if findings:
        verdict = "flagged"
    elif unknown or not span.complete:
        verdict = "not_measured"
        if span.complete:
            findings = [cannot_tell("body" if lost else "repetition", span.turn_s)]
    elif near := tuple(dict.fromkeys((*blind, *(c.kind for c in made if c.near)))):
        verdict = "borderline"
    return Repetition(
        index=index, side=span.side, start_s=span.start_s, turn_s=span.turn_s, end_s=span.end_s,
        complete=span.complete, direction=span.direction, measures=numbers,
        findings=tuple(findings), verdict=verdict, near=near,
    )  # fmt: skip


def cannot_tell(what: str, at_s: float | None = None, **names: str) -> Finding:
    """A finding that says what the clip cannot answer; `names` are what its words leave open."""
    said = texts.load()
    words: str = getattr(said.unseen, what).format(**names)
    kind = said.kind["not_measurable"]
    return Finding(
        kind="not_measurable", value=None, limit=None, unit="1", uncertainty=None, at_s=at_s,
        message=kind.message.format(words=words), cue=said.unseen.cues[what], source="measured in this clip",
    )  # fmt: skip


def _unseen(
    done: Sequence[Measured], motion: Motion, exercise: Exercise, places: Mapping[str, Floats] | None
) -> list[Finding]:
    """What the whole clip cannot answer."""
    drivers = [n.format(side=side) for n in exercise.movement.driver for side in SIDES]
    if not any(signals.is_seen(motion, name) for name in drivers):
        return [cannot_tell("nothing")]
    if _lost(motion):
        return [cannot_tell("body")]
    found = []
    found += _unseen_pelvis(motion, exercise)
    if "off_target" in exercise.limits and places is None:
        found.append(cannot_tell("spot"))
    found += [cannot_tell("unfinished", m.span.start_s) for m in done if not m.span.complete]
    return found


def _unseen_pelvis(motion: Motion, exercise: Exercise) -> list[Finding]:
    said, unclear = texts.load().unseen, _unclear(motion, exercise)
    alike = [kind for kind in unclear if _known_apart(motion, exercise, kind)]
    groups = {"pelvis": [kind for kind in unclear if kind not in alike], "pelvis_alike": alike}
    ways = {what: " or ".join(said.ways[kind] for kind in kinds) for what, kinds in groups.items()}
    return [cannot_tell(what, ways=them) for what, them in ways.items() if them]


def _known_apart(motion: Motion, exercise: Exercise, kind: str) -> bool:
    """Whether the far ends tell which repetition differs, though not what all of them have in common."""
    name = PELVIS_FINDINGS[kind]
    return name in exercise.cloth_misses and name in motion.understated_deg


def _unclear(motion: Motion, exercise: Exercise) -> tuple[str, ...]:
    """The pelvis findings of the exercise that the clip cannot rule out."""
    return tuple(kind for kind in _pelvis_limits(exercise) if not can_clear(motion, exercise, kind))


def _blind(motion: Motion, exercise: Exercise) -> tuple[str, ...]:
    """Those of them that keep every repetition from being sound: all, or what the cloth never shows."""
    unclear = _unclear(motion, exercise)
    if len(unclear) == len(_pelvis_limits(exercise)):
        return unclear
    return tuple(kind for kind in unclear if PELVIS_FINDINGS[kind] in exercise.cloth_misses)


def _pelvis_limits(exercise: Exercise) -> tuple[str, ...]:
    return tuple(kind for kind in PELVIS_FINDINGS if kind in exercise.limits)


def _sides(whole: Sequence[Measured], motion: Motion, exercise: Exercise) -> dict[str, SideComparison]:
    """Left against right: the usual of each side."""
    if exercise.sides != "alternating" or {m.span.side for m in whole} != set(SIDES):
        return {}
    doubts = {
        "range": [stated_range(motion, exercise, side) for side in SIDES],
        "pelvis": [stated_pelvis(motion, exercise)] * 2,
    }
    found = {}
    for what, doubt in doubts.items():
        left, right = (_median(whole, side, what) for side in SIDES)
        if np.isfinite(left) and np.isfinite(right):
            found[f"{what}_deg"] = compare_sides(left, right, math.hypot(*doubt))
    return found


def _median(whole: Sequence[Measured], side: Side, what: str) -> float:
    values = []
    for m in whole:
        if m.span.side == side:
            moved = [m.range] if what == "range" else list(m.pelvis.values())
            values.append(max((abs(c.value) for c in moved if c is not None), default=np.nan))
    return float(np.nanmedian(values)) if np.isfinite(values).any() else np.nan


def _uneven(sides: Mapping[str, SideComparison]) -> list[Finding]:
    """Sides that differ in range by more than the limit and the uncertainty."""
    range_ = sides.get("range_deg")
    if range_ is None or range_.difference is None or range_.uncertainty is None:
        return []
    rule = texts.load().sides
    check = Check("sides_uneven", abs(range_.difference), rule.limit_deg, range_.uncertainty, "deg", np.nan,
                  rule.source, words=direction("sides_uneven", range_.difference))  # fmt: skip
    return [check.finding()] if check.beyond else []
