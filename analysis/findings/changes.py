"""How far a signal goes in one repetition, and how sure that is.

All figures come from the repetition and the rest on both sides of it, so that constant errors and slow
drifts cancel. An uncertainty here is one-sided: with 95 % confidence the true figure is not closer to rest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.filters import smooth
from analysis.records import Floats
from analysis.repetitions import Span, course

ONE_SIDED_95 = 1.645
ONE_SIDED_SHARE = ONE_SIDED_95 / 1.96  # of a two-sided 95 % half-width
FEWEST_SAMPLES = 8
FEWEST_FOR_BEND = 6
SLOW = 0.15  # share of a way in which next to nothing moves
LEAST_SEEN = 0.6  # share of a repetition's samples that must be there
LONGEST_GAP_S = 0.5


@dataclass(frozen=True)
class Change:
    """A signed figure, its one-sided 95 % uncertainty and when it is largest [s]."""

    value: float
    uncertainty: float
    at_s: float


def change(
    time_s: Floats, values: Floats, span: Span, window: tuple[float, float], stated: float
) -> Change | None:
    """Change of a signal (T,) from rest to the far end of a repetition; None where too little was seen of the
    whole or of the farther half of the way.

    Least squares of rest, a straight drift, and the course of the repetition: every sample counts, not the
    luckiest one. `stated` is the two-sided 95 % half-width of a difference between two samples: what of it
    is not the noise seen here stays in the uncertainty.
    """
    inside = (time_s >= window[0]) & (time_s <= window[1])
    seen = inside & np.isfinite(values)
    if seen.sum() < max(FEWEST_SAMPLES, LEAST_SEEN * inside.sum()):
        return None
    far = inside & course.far_half(time_s, span)
    if (seen & far).sum() < LEAST_SEEN * far.sum():
        return None
    t, y = time_s[seen], values[seen]
    way = course.progress(t, span)
    basis = np.column_stack([np.ones_like(t), t - t.mean(), way])
    fit, *_ = np.linalg.lstsq(basis, y, rcond=None)
    noise = float(np.std(y - basis @ fit, ddof=3))
    error = noise * np.sqrt(_apart(t) * np.linalg.pinv(basis.T @ basis)[2, 2])
    rest = np.sqrt(max(stated**2 - 2 * (1.96 * noise) ** 2, 0.0)) * ONE_SIDED_SHARE
    away = (y - basis[:, :2] @ fit[:2]) * np.sign(fit[2]) * way
    return Change(float(fit[2]), float(np.hypot(ONE_SIDED_95 * error, rest)), float(t[np.argmax(away)]))


def on_way(
    time_s: Floats, values: Floats, ends_s: tuple[float, float], cutoff_hz: float
) -> tuple[Floats, Floats] | None:
    """Times and low-pass filtered values of a signal (T,) from one moment to another.

    None where more than LONGEST_GAP_S of it in a row was not seen: the largest value may have been there.
    """
    calm = smooth(time_s, values, cutoff_hz, LONGEST_GAP_S)
    seen = (time_s >= ends_s[0]) & (time_s <= ends_s[1]) & np.isfinite(calm)
    gaps_s = np.diff([ends_s[0], *time_s[seen], ends_s[1]])
    return (time_s[seen], calm[seen]) if seen.any() and gaps_s.max() <= LONGEST_GAP_S else None


def between_errors_s(time_s: Floats) -> float:
    """Time over which samples share one error [s]."""
    return max(course.ERROR_TIME_S, float(np.median(np.diff(time_s))))


def _apart(time_s: Floats) -> float:
    """Samples that share one error, at least 1."""
    return between_errors_s(time_s) / float(np.median(np.diff(time_s)))


def at_far_end(time_s: Floats, values: Floats, span: Span, slow: float = SLOW) -> Change | None:
    """Level of a signal (T,) at the far end of a repetition; None where it was not seen.

    The mean over the hold and the slow moments around it, that share of each way; its uncertainty is from
    the spread there, less what bends with the movement.
    """
    margin = slow * (span.duration_s - (span.leave_s - span.arrive_s)) / 2
    near = (time_s >= span.arrive_s - margin) & (time_s <= span.leave_s + margin) & np.isfinite(values)
    if near.sum() < 2:
        return None
    t, y = time_s[near], values[near]
    bends = 2 if near.sum() >= FEWEST_FOR_BEND else 0
    left = y - np.polynomial.Polynomial.fit(t, y, bends)(t)
    error = float(np.sqrt((left**2).sum() / (near.sum() - 1 - bends)))
    if near.sum() > 2:
        error *= np.sqrt(_apart(time_s) / near.sum())
    return Change(float(np.mean(y)), ONE_SIDED_95 * error, span.turn_s)
