"""The numbers of one repetition, each with its uncertainty; None where the clip cannot tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.conventions import Side
from analysis.exercises import Exercise
from analysis.exercises.schema import PELVIS_FINDINGS
from analysis.filters import smooth
from analysis.findings import changes
from analysis.findings.changes import Change
from analysis.records import Floats, Measures, Motion
from analysis.repetitions import Span, course, signals
from analysis.smoothness import angle_smoothness

LONGEST_GAP_S = 0.5
SMOOTH_HZ = 3.0
CALM_HZ = 1.2
PLACE = "ankle_{side}"
ALONG_MAT = 1  # axis of the mat frame: towards the head


@dataclass(frozen=True)
class Measured:
    """What was measured in one repetition."""

    span: Span
    range: Change | None
    pelvis: dict[str, Change | None]
    smoothness: float | None
    spot_cm: Change | None
    kept: Change | None

    @property
    def phases_s(self) -> tuple[float, float]:
        """Times out and back [s]."""
        return self.span.arrive_s - self.span.start_s, self.span.end_s - self.span.leave_s

    def numbers(self, exercise: Exercise) -> Measures:
        """The numbers of the report; an unfinished repetition has no way back."""
        out_s, back_s = self.phases_s
        moved = [abs(c.value) for c in self.pelvis.values() if c is not None]
        whole = self.span.complete
        return Measures(
            range_deg=self.range.value if self.range else None,
            out_s=out_s,
            back_s=back_s if whole else None,
            hold_s=self.span.leave_s - self.span.arrive_s if whole and exercise.hold else None,
            pelvis_deg=max(moved, default=None),
            smoothness=self.smoothness,
        )


def measure(
    spans: Sequence[Span], motion: Motion, exercise: Exercise, places: Mapping[str, Floats] | None
) -> list[Measured]:
    """Measures every repetition. `places` holds the ankles' places (T, 3) in the mat frame [cm]."""
    around = course.windows(spans)
    return [
        Measured(
            span,
            _range(span, window, motion, exercise),
            _pelvis(span, window, motion, exercise),
            _smoothness(span, motion, exercise),
            _spot(span, motion, places),
            _kept(span, motion, exercise),
        )
        for span, window in zip(spans, around, strict=True)
    ]


def _side(span: Span) -> Side | None:
    return None if span.side == "both" else span.side


def _pelvis(
    span: Span, window: tuple[float, float], motion: Motion, exercise: Exercise
) -> dict[str, Change | None]:
    return {
        kind: changes.change(motion.time_s, motion.values[name], span, window, stated(motion, name))
        for kind, name in PELVIS_FINDINGS.items()
        if kind in exercise.limits and signals.is_seen(motion, name)
    }


def stated(motion: Motion, name: str) -> float:
    """Stated two-sided 95 % half-width of a change of the signal [deg]; 0 where none is stated."""
    return float(np.nan_to_num(motion.change_uncertainty_deg.get(name, 0.0)))


def _range(span: Span, window: tuple[float, float], motion: Motion, exercise: Exercise) -> Change | None:
    shape, side = exercise.movement.shape, _side(span)
    if shape == "circle":
        return _circle(span, motion, exercise)
    if shape == "cycle":
        return Change(span.height, _noise(motion, exercise.movement.driver, side), span.turn_s)
    values = _sum(motion, exercise, side)
    if values is None:
        return None
    if span.side == "right" and shape == "roll":
        values = -values
    if exercise.range.since == "least":
        return _since_least(span, motion, values)
    return changes.change(motion.time_s, values, span, window, 0.0)


def _sum(motion: Motion, exercise: Exercise, side: Side | None) -> Floats | None:
    """The sum that makes up the range (T,) [deg]; a pelvis that is not seen at all counts as still."""
    own = exercise.range.signals
    if not own:
        return signals.weighted(motion, exercise.movement.driver, side, SMOOTH_HZ)
    seen = {n.format(side=side): w for n, w in own.items() if signals.is_seen(motion, n.format(side=side))}
    if not any("hip" in name for name in seen):
        return None
    total: Floats = np.sum([w * motion.values[name] for name, w in seen.items()], axis=0)
    return total


def _since_least(span: Span, motion: Motion, values: Floats) -> Change | None:
    """Far end against the least on the way out and on the way back."""
    far = changes.at_far_end(motion.time_s, values, span)
    calm = smooth(motion.time_s, values, CALM_HZ, LONGEST_GAP_S)
    out = calm[(motion.time_s >= span.start_s) & (motion.time_s <= span.arrive_s)]
    back = calm[(motion.time_s >= span.leave_s) & (motion.time_s <= span.end_s)]
    if far is None or not np.isfinite(out).any() or not np.isfinite(back).any():
        return None
    return Change(far.value - (np.nanmin(out) + np.nanmin(back)) / 2, 1.4 * far.uncertainty, far.at_s)


def _circle(span: Span, motion: Motion, exercise: Exercise) -> Change | None:
    """Width of a circle: first harmonic of both signals over one turn."""
    inside = (motion.time_s >= span.start_s) & (motion.time_s <= span.end_s)
    t = motion.time_s[inside]
    turn = 2 * np.pi * (t - span.start_s) / span.duration_s
    basis = np.column_stack([np.ones_like(t), np.cos(turn), np.sin(turn)])
    widths, errors = [], []
    for weights in (exercise.movement.driver, exercise.movement.across):
        values = signals.weighted(motion, weights, _side(span), SMOOTH_HZ)
        if values is None or len(t) < changes.FEWEST_SAMPLES:
            return None
        fit, *_ = np.linalg.lstsq(basis, values[inside], rcond=None)
        widths.append(2 * float(np.hypot(*fit[1:])))
        errors.append(float(np.std(values[inside] - basis @ fit, ddof=3)))
    error = float(np.mean(errors)) * 2 * np.sqrt(2 * course.ERROR_TIME_S / span.duration_s) / np.sqrt(2)
    return Change(float(np.mean(widths)), changes.ONE_SIDED_95 * error, span.turn_s)


def _noise(motion: Motion, weights: Mapping[str, float], side: Side | None) -> float:
    """One-sided uncertainty of a sum of signals from what is stated for each."""
    names = {name.format(side=side): abs(w) for name, w in weights.items()}
    return changes.ONE_SIDED_SHARE * float(sum(w * stated(motion, name) for name, w in names.items()))


def _smoothness(span: Span, motion: Motion, exercise: Exercise) -> float | None:
    driver = signals.weighted(motion, exercise.movement.driver, _side(span), SMOOTH_HZ)
    inside = (motion.time_s >= span.start_s) & (motion.time_s <= span.end_s)
    if driver is None or span.measured < 1.0 or exercise.hold:
        return None
    value = angle_smoothness(motion.time_s[inside], driver[inside], LONGEST_GAP_S)
    return value if np.isfinite(value) else None


def _spot(span: Span, motion: Motion, places: Mapping[str, Floats] | None) -> Change | None:
    """Where the foot is at the far end, along the mat [cm]."""
    name = PLACE.format(side=span.side)
    if places is None or name not in places:
        return None
    return changes.at_far_end(motion.time_s, places[name][:, ALONG_MAT], span)


def _kept(span: Span, motion: Motion, exercise: Exercise) -> Change | None:
    """Largest value of the signal that shows a shape, on the way out."""
    if exercise.kept is None:
        return None
    name = exercise.kept.signal.format(side=span.side)
    if not signals.is_seen(motion, name):
        return None
    calm = smooth(motion.time_s, motion.values[name], CALM_HZ, LONGEST_GAP_S)
    inside = (motion.time_s >= span.start_s) & (motion.time_s <= span.arrive_s) & np.isfinite(calm)
    if inside.sum() < 2:
        return None
    at = int(np.argmax(np.where(inside, calm, -np.inf)))
    doubt = changes.ONE_SIDED_SHARE * float(np.nan_to_num(motion.uncertainty_deg.get(name, 0.0)))
    return Change(float(calm[at]), doubt, float(motion.time_s[at]))
