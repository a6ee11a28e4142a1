"""One measure against one limit, and the finding that tells of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.conventions import PELVIC_SIGNALS
from analysis.exercises import Exercise, Limit, Prescription
from analysis.exercises.schema import PELVIS_FINDINGS
from analysis.findings import texts
from analysis.findings.changes import ONE_SIDED_SHARE
from analysis.findings.measures import Measured, can_clear, stated_range, understated_at
from analysis.findings.usual import FEWEST, Compare, Usual, spread, unhurried, usual
from analysis.measurement_error import timing_s
from analysis.records import Finding, Motion, RepetitionSide
from analysis.repetitions import Span

# Of motion that a source hides, about half is read, in rendered people less than that in half of the cases.
HIDDEN_SHARE = 0.5
# The pose model draws an unusually large movement towards the usual one: on rendered clips 1.34 to 1.45 times
# the usual size read 1.1 to 1.4 times. Share of the usual range.
# Where landmarks tell the pelvis, two of about thirty of 1.3 and 1.4 times read 1.05 and 1.1 times: there by
# all that is stated, if that is more.
DRAWN_BACK = 0.15
# A foot behind the other leg is guessed where it rests: of feet seen to go less than this share of the way of
# the other one, none of 5 rendered taps 8 to 10 cm off their spot was seen; of feet that go further all 16.
# So is one that is hardly seen to go: 8 cm off showed as 3 where both feet went 8 to 9.
GUESSED, LEAST_SEEN_CM = 0.5, 10.0
# The spots of both sides are seen this far apart at most in 46 of 50 rendered sets in which they are alike;
# further in one in which both taps of a side were 10 and 11 cm off.
SPOTS_APART_CM = 12.0
# A leg that swings along the line of sight goes a short way in the picture. Where that is, degree for degree,
# less than this share of the other side's, faults of range show too small: of 10 rendered ones 2 were found,
# and one did not show at all.
SHOWN = 0.6
_UNIT_WORDS = {"deg": "°", "s": " s", "cm": " cm", "1": ""}


@dataclass(frozen=True)
class Check:
    """A measure, its limit and its one-sided 95 % uncertainty; `over` tells which way is wrong.

    understated: how far it may be from the limit and still be beyond it, where it is read too small or its
    error tells.
    """

    kind: str
    value: float
    limit: float
    uncertainty: float
    unit: str
    at_s: float
    source: str
    over: bool = True
    words: dict[str, str] = field(default_factory=dict)
    understated: float = 0.0

    @property
    def excess(self) -> float:
        """How far the value is on the wrong side of the limit; negative where it is within."""
        return self.value - self.limit if self.over else self.limit - self.value

    @property
    def beyond(self) -> bool:
        """Whether the limit is passed by more than the uncertainty."""
        return self.excess > self.uncertainty

    @property
    def near(self) -> bool:
        """Whether the limit may be passed, but is not by more than the uncertainty."""
        return -self.understated < self.excess <= self.uncertainty

    def finding(self) -> Finding:
        """The finding in words."""
        kind = texts.load().kind[self.kind]
        shown = {"value": quantity(self.value, self.unit), "limit": quantity(self.limit, self.unit)}
        return Finding(
            kind=self.kind,
            value=self.value,
            limit=self.limit,
            unit=self.unit,
            uncertainty=self.uncertainty,
            at_s=self.at_s,
            message=kind.message.format(**shown | self.words),
            cue=kind.cue,
            source=self.source,
        )


def quantity(value: float, unit: str) -> str:
    """A number with its unit, rounded to what it can mean."""
    return f"{value:.0f}{_UNIT_WORDS[unit]}" if unit in ("deg", "cm") else f"{value:.1f}{_UNIT_WORDS[unit]}"


def direction(kind: str, value: float) -> dict[str, str]:
    """The word for the direction of a value."""
    words = texts.load().kind[kind]
    return {"direction": words.more if value > 0 else words.less}


def checks(
    done: Sequence[Measured], motion: Motion, exercise: Exercise, prescription: Prescription
) -> list[list[Check]]:
    """All checks of every repetition that can be made."""
    sides = [m.span.side for m in done]
    phases = (unhurried([m.phases_s[0] for m in done]), unhurried([m.phases_s[1] for m in done]))
    known = [m.range.value if m.range else None for m in done]
    errors = [m.range.uncertainty for m in done if m.range]
    noise = 2**0.5 * float(np.median(errors)) if errors else 0.0
    compare: Compare = "well" if exercise.range.sides_read_alike else "roughly"
    ranges = usual(known, sides, compare=compare, noise=noise)
    hardly_shown = _hardly_shown(done)
    # The further foot is seen in another place than the nearer one.
    spots = usual([m.spot_cm.value if m.spot_cm else None for m in done], sides, compare="never")
    unclear = _unclear_spots(sides, spots)
    smooth = usual([m.smoothness for m in done], sides)
    rough = spread([m.smoothness for m in done if m.smoothness is not None])
    return [
        [
            *_pelvis(m, motion, exercise, prescription),
            *(
                replace(c, understated=np.inf) if m.span.side in hardly_shown else c
                for c in _range(m, ranges[i], motion, exercise, prescription)
            ),
            *_rushed(m, phases, exercise.limits, prescription),
            *(
                replace(c, understated=np.inf) if m.span.side in unclear else c
                for c in _off_target(m, spots[i], exercise.limits)
            ),
            *_jerky(m, smooth[i].value, rough, exercise.limits),
            *_hold_short(m, prescription),
            *_shape_lost(m, exercise),
        ]
        for i, m in enumerate(done)
    ]


def _hardly_shown(done: Sequence[Measured]) -> set[RepetitionSide]:
    """Sides whose way in the picture is too short, degree for degree, to clear a range by it."""
    ways: dict[RepetitionSide, list[float]] = {}
    for m in done:
        if m.range and m.range.value and np.isfinite(m.span.way):
            ways.setdefault(m.span.side, []).append(m.span.way / abs(m.range.value))
    usual_way = {side: float(np.median(of_side)) for side, of_side in ways.items()}
    longest = max(usual_way.values(), default=0.0)
    return {side for side, way in usual_way.items() if way < SHOWN * longest}


def _pelvis(m: Measured, motion: Motion, exercise: Exercise, prescription: Prescription) -> Iterator[Check]:
    for kind in PELVIS_FINDINGS:
        change = m.pelvis.get(kind)
        if change is None:
            continue
        rule, own = exercise.limits[kind], prescription.pelvis_deg
        limit, source = (own, "set by the coach") if own else (rule.value, rule.source)
        missed = change.uncertainty if can_clear(motion, exercise, kind) else HIDDEN_SHARE * limit
        missed = understated_at(motion, PELVIS_FINDINGS[kind], m.span, missed)
        yield Check(kind, abs(change.value), limit, change.uncertainty, "deg", change.at_s, source,
                    words=direction(kind, change.value), understated=missed)  # fmt: skip


def _range(
    m: Measured, in_set: Usual, motion: Motion, exercise: Exercise, prescription: Prescription
) -> Iterator[Check]:
    """Against the prescription, in which constant errors count; else against the set, where they cancel.

    Of few repetitions of a side nobody can say which are the usual ones, so what the whole set would allow is
    not surely wrong; nor is what another half of the side would. What that or the whole set would not allow
    is not surely right.
    """
    if m.range is None or "range_short" not in exercise.limits:
        return
    doubt, of = m.range.uncertainty, "usual in this set"
    drawn = _drawn_back(in_set.value, motion, exercise, m.span)
    unsure = doubt  # of clearing; constant errors of some degrees would leave hardly anything clear
    if prescription.range_deg:
        in_set = Usual.set_by_the_coach(prescription.range_deg)
        doubt = max(doubt, ONE_SIDED_SHARE * stated_range(motion, exercise, m.span.side))
        of, drawn = "set by the coach", 0.0
    words = {"usual": quantity(in_set.value, "deg"), "of": of}
    lower, higher = in_set.value - in_set.low, in_set.high - in_set.value
    other = in_set.whole - in_set.value
    for kind, over in (("range_short", False), ("range_beyond", True)):
        limit = exercise.limits[kind]
        allowed = limit.value * max(0.0, other if over else -other, higher if over else lower)
        missed = limit.value * (in_set.value - in_set.lowest if over else in_set.highest - in_set.value)
        missed += max(unsure, drawn) if over else unsure
        yield Check(kind, m.range.value, limit.value * in_set.value, doubt + allowed, "deg", m.range.at_s,
                    limit.source, over, words, missed)  # fmt: skip


def _drawn_back(usual_deg: float, motion: Motion, exercise: Exercise, span: Span) -> float:
    """By how much smaller a large range may be read [deg]."""
    by_picture = exercise.movement.shape == "roll" and np.isfinite(span.way)
    by_landmarks = motion.pelvis_source == "landmarks" and not by_picture
    guessed = by_landmarks and any(name in PELVIC_SIGNALS for name in exercise.range_weights(span.side))
    stated = ONE_SIDED_SHARE * stated_range(motion, exercise, span.side) if guessed else 0.0
    return max(DRAWN_BACK * usual_deg, stated)


def _rushed(
    m: Measured, usual_s: tuple[float, float], limits: dict[str, Limit], prescription: Prescription
) -> Iterator[Check]:
    """The quicker phase, against the shortest allowed and against the set's own."""
    if "rushed" not in limits:
        return
    rule = texts.load().relative
    shortest, source = _shortest(limits["rushed"], prescription)
    found, doubt = [], timing_s(coarse=m.span.coarse)
    for way, at_s in ((0, m.span.start_s), (1, m.span.leave_s)):
        words = direction("rushed", 1.0 if way == 0 else -1.0)
        relative = rule.rushed_share * usual_s[way]
        for limit, why in ((shortest, source), (relative, rule.rushed_source)):
            found.append(Check("rushed", m.phases_s[way], limit, doubt, "s", at_s, why, False, words, doubt))
    yield max(found, key=lambda c: c.excess if c.excess == c.excess else -1e9)


def _shortest(limit: Limit, prescription: Prescription) -> tuple[float, str]:
    """The shortest phase allowed [s], and who says so: as set, a share of the tempo set, or as usual."""
    rule = texts.load().relative
    if prescription.shortest_phase_s:
        return prescription.shortest_phase_s, "set by the coach"
    if prescription.tempo_s:
        return (
            rule.rushed_share * prescription.tempo_s,
            f"tempo set by the coach; share: {rule.rushed_source}",
        )
    return limit.value, limit.source


def _unclear_spots(sides: Sequence[RepetitionSide], spots: Sequence[Usual]) -> set[RepetitionSide]:
    """Sides whose spots clear nothing: of a foot that is guessed, or any where a few taps are all far off."""
    usual_cm = {side: abs(s.value) for side, s in zip(sides, spots, strict=True) if s.value == s.value}
    furthest, nearest = max(usual_cm.values(), default=0.0), min(usual_cm.values(), default=0.0)
    if furthest - nearest > SPOTS_APART_CM and min(sides.count(side) for side in usual_cm) < FEWEST:
        return set(usual_cm)
    return {side for side, cm in usual_cm.items() if cm < max(GUESSED * furthest, LEAST_SEEN_CM)}


def _off_target(m: Measured, in_set: Usual, limits: dict[str, Limit]) -> Iterator[Check]:
    """Against the usual spot of the side, or another that may be the usual one just as well."""
    if m.spot_cm is None or "off_target" not in limits:
        return
    spot, limit = m.spot_cm, limits["off_target"]
    away, lower, higher = spot.value - in_set.value, in_set.value - in_set.low, in_set.high - in_set.value
    doubt = spot.uncertainty + (higher if away > 0 else lower)
    missed = max(lower, higher) + 2**0.5 * spot.uncertainty
    yield Check("off_target", abs(away), limit.value, doubt, "cm", spot.at_s, limit.source,
                words=direction("off_target", away), understated=missed)  # fmt: skip


def _jerky(m: Measured, usual_sparc: float, rough: float, limits: dict[str, Limit]) -> Iterator[Check]:
    """Against the rest of the set, whose own spread is the uncertainty."""
    if m.smoothness is None or "jerky" not in limits:
        return
    limit = limits["jerky"]
    least = usual_sparc - limit.value
    yield Check("jerky", m.smoothness, least, rough, "1", m.span.start_s, limit.source, False)


def _hold_short(m: Measured, prescription: Prescription) -> Iterator[Check]:
    if prescription.hold_s is None:
        return
    held = m.span.leave_s - m.span.arrive_s
    yield Check(
        "hold_short",
        held,
        prescription.hold_s,
        2 * timing_s(coarse=m.span.coarse),
        "s",
        m.span.leave_s,
        "set by the coach",
        False,
    )


def _shape_lost(m: Measured, exercise: Exercise) -> Iterator[Check]:
    if m.kept is None or exercise.kept is None:
        return
    limit = exercise.limits["shape_lost"]
    kept, least = m.kept, exercise.kept.target_deg - limit.value
    yield Check("shape_lost", kept.value, least, kept.uncertainty, "deg", kept.at_s, limit.source, False,
                {"words": exercise.kept.words})  # fmt: skip
