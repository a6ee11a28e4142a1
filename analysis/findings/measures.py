"""The numbers of one repetition, each with its uncertainty; None where the clip cannot tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis import measurement_error
from analysis.conventions import PELVIC_SIGNALS, Side
from analysis.exercises import Exercise
from analysis.exercises.schema import PELVIS_FINDINGS
from analysis.findings import changes
from analysis.findings.changes import Change
from analysis.findings.compared import compared
from analysis.findings.spots import PLACE
from analysis.records import Floats, Measures, Motion, RepetitionSide
from analysis.repetitions import Span, course, signals
from analysis.smoothness import angle_smoothness

SMOOTH_HZ = 3.0
CALM_HZ = 1.2
AT_TURN = 0.06  # share of a way: of a movement that turns at once, more than this would cut off the turn
# One-sided 95 % error of a range counted from where the signals were least, which is passed, not held: on
# rendered clips 44 sound leg extensions differed from each other by 2.8 % (standard deviation) more or less
# than they did.
SINCE_LEAST_ERROR = 0.046
FAR_END = 0.8  # quantile of a repetition's samples: the pelvis is least sure where it moves most


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

    def numbers(self, exercise: Exercise, tuck_arch_deg: float | None = None) -> Measures:
        """The numbers of the report; an unfinished repetition has no way back.

        tuck_arch_deg: the client's own range of pelvic tilt, of which the tilt is also told as a share.
        """
        out_s, back_s = self.phases_s
        moved = [abs(c.value) for c in self.pelvis.values() if c is not None]
        whole = self.span.complete
        tilt = self.pelvis.get("pelvis_tilted")
        return Measures(
            range_deg=self.range.value if self.range else None,
            out_s=out_s,
            back_s=back_s if whole else None,
            hold_s=self.span.leave_s - self.span.arrive_s if whole and exercise.hold else None,
            pelvis_deg=max(moved, default=None),
            pelvis_own_pct=100 * abs(tilt.value) / tuck_arch_deg if tilt and tuck_arch_deg else None,
            smoothness=self.smoothness,
        )


def measure(
    spans: Sequence[Span], motion: Motion, exercise: Exercise, places: Mapping[str, Floats] | None
) -> list[Measured]:
    """Measures every repetition. `places`: see `spots.spots_cm`."""
    around = course.windows(spans)
    done = [
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
    ranges = compared(spans, [m.range for m in done], exercise)
    return [replace(m, range=told) for m, told in zip(done, ranges, strict=True)]


def _side(span: Span) -> Side | None:
    return None if span.side == "both" else span.side


def _pelvis(
    span: Span, window: tuple[float, float], motion: Motion, exercise: Exercise
) -> dict[str, Change | None]:
    return {
        kind: changes.change(motion.time_s, motion.values[name], span, window, stated_at(motion, name, span))
        for kind, name in pelvis_kinds(motion, exercise).items()
    }


def pelvis_kinds(motion: Motion, exercise: Exercise) -> dict[str, str]:
    """Pelvis findings that the clip can answer, with their signal.

    Where the stated error of a change is as large as the limit, the signal tells nothing about it, unless
    its source tells by how much it overstates: what is read beyond that has happened.
    """
    return {
        kind: name
        for kind, name in PELVIS_FINDINGS.items()
        if kind in exercise.limits
        and signals.is_seen(motion, name)
        and (can_clear(motion, exercise, kind) or name in motion.overstated_deg)
    }


def can_clear(motion: Motion, exercise: Exercise, kind: str) -> bool:
    """Whether a pelvis that is read as still was still: the stated error is below the limit."""
    name = PELVIS_FINDINGS[kind]
    return signals.is_seen(motion, name) and stated(motion, name) < exercise.limits[kind].value


def stated(motion: Motion, name: str) -> float:
    """Stated two-sided 95 % half-width of a change of the signal [deg]; 0 where none is stated."""
    return float(np.nan_to_num(motion.change_uncertainty_deg.get(name, 0.0)))


def stated_range(motion: Motion, exercise: Exercise, side: RepetitionSide) -> float:
    """Stated two-sided 95 % half-width of a range [deg]; NaN where one of its signals states none."""
    return measurement_error.of_range(exercise, side, *_stated_and_seen(motion))


def stated_pelvis(motion: Motion, exercise: Exercise) -> float:
    """Stated two-sided 95 % half-width of the pelvis's motion [deg]; NaN where one signal states none."""
    return measurement_error.of_pelvis(exercise, *_stated_and_seen(motion))


def _stated_and_seen(motion: Motion) -> tuple[dict[str, float], set[str]]:
    stated_deg = dict(motion.uncertainty_deg) | dict(motion.change_uncertainty_deg)
    return stated_deg, {name for name in motion.values if signals.is_seen(motion, name)}


def stated_at(motion: Motion, name: str, span: Span) -> float:
    """The same at the far end of a repetition, where the signal's source tells by how much it overstates."""
    if name not in motion.overstated_deg:
        return stated(motion, name)
    inside = (motion.time_s >= span.start_s) & (motion.time_s <= span.end_s)
    over = motion.overstated_deg[name][inside]
    known = over[np.isfinite(over)]
    two_sided = 1 / changes.ONE_SIDED_SHARE
    return two_sided * float(np.quantile(known, FAR_END)) if known.size else stated(motion, name)


def understated_at(motion: Motion, name: str, span: Span, otherwise: float) -> float:
    """By how much a change up to the far end of a repetition may be understated [deg], where that is told."""
    if name not in motion.understated_deg:
        return otherwise
    return float(motion.understated_deg[name][int(np.abs(motion.time_s - span.turn_s).argmin())])


def _range(span: Span, window: tuple[float, float], motion: Motion, exercise: Exercise) -> Change | None:
    shape = exercise.movement.shape
    if span.hidden:
        return None
    if shape in ("circle", "cycle"):
        return _to_and_fro(span, window, motion, exercise)
    values = _sum(motion, exercise, span.side)
    if values is None:
        return None
    if exercise.range.since == "least":
        return _since_least(span, motion, values)
    return changes.change(motion.time_s, values, span, window, 0.0)


def _sum(motion: Motion, exercise: Exercise, side: RepetitionSide) -> Floats | None:
    """The sum that makes up the range (T,) [deg]; a pelvis that is not seen at all counts as still."""
    weights = exercise.range_weights(side)
    if not exercise.range.signals:
        return signals.weighted(motion, weights, None, SMOOTH_HZ)
    seen = {name: weight for name, weight in weights.items() if signals.is_seen(motion, name)}
    if not any("hip" in name for name in seen):
        return None
    total: Floats = np.sum([w * _bridged(motion, name) for name, w in seen.items()], axis=0)
    return total


def _bridged(motion: Motion, name: str) -> Floats:
    """The signal (T,) [deg], one of the pelvis without gaps, as the hips were told from it.

    In the sum that is the thigh's against the mat it drops out. Left open, the sum would lack just the
    moments in which the thigh is highest and hides the cloth; bridged otherwise, it would lack what the hips
    do not hold: a knee roll that hides the card would read a third too small.
    """
    if name not in PELVIC_SIGNALS:
        return motion.values[name]
    return motion.bridged[name] if name in motion.bridged else signals.filled(motion, name)


def _since_least(span: Span, motion: Motion, values: Floats) -> Change | None:
    """Far end against the least on the way out and on the way back."""
    t = motion.time_s
    far = changes.at_far_end(t, values, span, AT_TURN)
    out = changes.on_way(t, values, (span.start_s, span.arrive_s), SMOOTH_HZ)
    back = changes.on_way(t, values, (span.leave_s, span.end_s), SMOOTH_HZ)
    if far is None or out is None or back is None:
        return None
    least = (out[1].min() + back[1].min()) / 2
    value = float(far.value - least)
    return Change(value, float(np.hypot(1.4 * far.uncertainty, SINCE_LEAST_ERROR * value)), far.at_s)


def _to_and_fro(span: Span, window: tuple[float, float], motion: Motion, exercise: Exercise) -> Change | None:
    """Width of a whole circle in the driver, or of a cycle from end to end, fitted to its course.

    Across the driver a circle goes along the line of sight, where its width is hardly seen.
    """
    inside = (motion.time_s >= window[0]) & (motion.time_s <= window[1])
    path = course.paths(motion, exercise, span)
    if path is None or inside.sum() < changes.FEWEST_SAMPLES or not span.complete:
        return None
    t, shape = motion.time_s[inside], exercise.movement.shape
    weights, left = course.fit(t, path[inside, :1], span, shape)
    noise = np.sqrt(left / (len(t) - 4))
    samples = span.duration_s / changes.between_errors_s(t)
    if shape == "circle":
        width, error = 2 * float(np.hypot(*weights[:, 0])), noise * np.sqrt(4 / samples)
    else:
        width, error = abs(float(weights[0, 0] - weights[1, 0])), noise * np.sqrt(8 / samples)
    return Change(width, changes.ONE_SIDED_95 * float(error), span.turn_s)


def _smoothness(span: Span, motion: Motion, exercise: Exercise) -> float | None:
    driver = signals.weighted(motion, exercise.movement.driver, _side(span), SMOOTH_HZ)
    inside = (motion.time_s >= span.start_s) & (motion.time_s <= span.end_s)
    if driver is None or span.measured < 1.0 or exercise.hold:
        return None
    value = angle_smoothness(motion.time_s[inside], driver[inside], changes.LONGEST_GAP_S)
    return value if np.isfinite(value) else None


def _spot(span: Span, motion: Motion, places: Mapping[str, Floats] | None) -> Change | None:
    """Where the foot is at the far end, along the mat [cm]."""
    name = PLACE.format(side=span.side)
    if places is None or name not in places:
        return None
    far = changes.at_far_end(motion.time_s, places[name], span)
    if far is None:
        return None
    # Landmarks are off by more than they shake, and differently in every repetition.
    return replace(far, uncertainty=float(np.hypot(far.uncertainty, measurement_error.spot_cm())))


def _kept(span: Span, motion: Motion, exercise: Exercise) -> Change | None:
    """Largest value of the signal that shows a shape, on the way out."""
    if exercise.kept is None:
        return None
    name = exercise.kept.signal.format(side=span.side)
    if not signals.is_seen(motion, name):
        return None
    out = changes.on_way(motion.time_s, motion.values[name], (span.start_s, span.arrive_s), CALM_HZ)
    if out is None:
        return None
    at = int(np.argmax(out[1]))
    doubt = changes.ONE_SIDED_SHARE * float(np.nan_to_num(motion.uncertainty_deg.get(name, 0.0)))
    return Change(float(out[1][at]), doubt, float(out[0][at]))
