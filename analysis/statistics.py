"""Reliability and agreement: what repeated or paired measurements can tell.

Every interval is the 95 % one. A single coefficient hides bias, so report bias, limits, error and
coefficient together. Missing values must be left out by the caller.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from analysis.records import Floats

Z95 = float(stats.norm.ppf(0.975))  # 1.95996

IccForm = Literal["ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)"]
Weights = Literal["none", "linear", "quadratic"]


@dataclass(frozen=True)
class Estimate:
    """A coefficient with its 95 % interval; NaN where it is undefined."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Agreement:
    """Bland-Altman: the difference b - a of paired values, in their unit.

    `bias` and the two limits each carry a 95 % interval; `mean_absolute` is the mean absolute difference.
    """

    pairs: int
    bias: Estimate
    sd: float
    lower: Estimate
    upper: Estimate
    mean_absolute: float


def sem(sd: float, icc_value: float) -> float:
    """Standard error of measurement: SD sqrt(1 - ICC), in the unit of `sd`."""
    return float(sd * np.sqrt(1 - icc_value))


def mdc95(standard_error: float) -> float:
    """Minimal detectable change of two single measurements: 1.96 sqrt(2) SEM."""
    return float(Z95 * np.sqrt(2) * standard_error)


def mdc90(standard_error: float) -> float:
    """Minimal detectable change at 90 %: 1.645 sqrt(2) SEM."""
    return float(stats.norm.ppf(0.95) * np.sqrt(2) * standard_error)


def change_limit(half_width_a: float, half_width_b: float) -> float:
    """Minimal detectable change between two values that carry their own 95 % half-widths.

    With equal half-widths of 1.96 SEM this is `mdc95`.
    """
    return float(np.hypot(half_width_a, half_width_b))


@dataclass(frozen=True)
class _MeanSquares:
    """Two-way analysis of variance of (n subjects, k raters), one rating a cell."""

    n: int
    k: int
    subjects: float
    raters: float
    error: float
    within: float


def _mean_squares(ratings: Floats) -> _MeanSquares:
    n, k = ratings.shape
    total = float(((ratings - ratings.mean()) ** 2).sum())
    subjects = float(k * ((ratings.mean(axis=1) - ratings.mean()) ** 2).sum())
    raters = float(n * ((ratings.mean(axis=0) - ratings.mean()) ** 2).sum())
    # Rounding can leave a tiny negative rest where raters agree perfectly.
    rest = max(0.0, total - subjects - raters)
    within = max(0.0, total - subjects) / (n * (k - 1))
    return _MeanSquares(n, k, subjects / (n - 1), raters / (k - 1), rest / ((n - 1) * (k - 1)), within)


def retest_sem(ratings: Floats) -> float:
    """Standard error of measurement of repeated trials, sqrt of the error mean square (Weir 2005).

    ratings (n, k): subjects by trials, complete, n and k at least 2.
    """
    return float(np.sqrt(_mean_squares(_checked(ratings)).error))


def icc(ratings: Floats) -> dict[IccForm, Estimate]:
    """All six intraclass correlations of Shrout & Fleiss 1979, with F-based intervals.

    ratings (n, k): subjects by raters, complete, n and k at least 2. The form (2,1) asks for the same
    value from any rater, (3,1) only for the same order; (., k) is for the mean of all k raters.
    NaN where nobody differs.
    """
    ms = _mean_squares(_checked(ratings))
    one, two, three = _one_way(ms), _two_way_random(ms), _two_way_fixed(ms)
    return {
        "ICC(1,1)": one,
        "ICC(2,1)": two,
        "ICC(3,1)": three,
        "ICC(1,k)": _stepped_up(one, ms.k),
        "ICC(2,k)": _stepped_up(two, ms.k),
        "ICC(3,k)": _stepped_up(three, ms.k),
    }


def _one_way(ms: _MeanSquares) -> Estimate:
    return _from_f(ms.subjects, ms.within, ms.n - 1, ms.n * (ms.k - 1), ms.k)


def _two_way_fixed(ms: _MeanSquares) -> Estimate:
    return _from_f(ms.subjects, ms.error, ms.n - 1, (ms.n - 1) * (ms.k - 1), ms.k)


def _from_f(signal: float, noise: float, df_signal: int, df_noise: int, k: int) -> Estimate:
    """(F - 1) / (F + k - 1) and its interval, for F = signal / noise."""
    if signal == 0 and noise == 0:
        return Estimate(np.nan, np.nan, np.nan)
    if noise == 0:
        return Estimate(1.0, 1.0, 1.0)
    f = signal / noise
    bounds = (f, f / stats.f.ppf(0.975, df_signal, df_noise), f * stats.f.ppf(0.975, df_noise, df_signal))
    value, low, high = ((x - 1) / (x + k - 1) for x in bounds)
    return Estimate(float(value), float(low), float(high))


def _two_way_random(ms: _MeanSquares) -> Estimate:
    """ICC(2,1), with the interval of Shrout & Fleiss 1979 (their approximation of the degrees of freedom)."""
    n, k = ms.n, ms.k
    spread = ms.subjects + (k - 1) * ms.error + k * (ms.raters - ms.error) / n
    if spread <= 0:
        return Estimate(np.nan, np.nan, np.nan)
    value = (ms.subjects - ms.error) / spread
    if ms.error == 0:
        return Estimate(float(value), np.nan, np.nan)
    ratio = ms.raters / ms.error
    a = k * value * ratio + n * (1 + (k - 1) * value) - k * value
    df = (k - 1) * (n - 1) * a**2
    df /= (n - 1) * k**2 * value**2 * ratio**2 + (n * (1 + (k - 1) * value) - k * value) ** 2
    f_low, f_high = stats.f.ppf(0.975, n - 1, df), stats.f.ppf(0.975, df, n - 1)
    others = k * ms.raters + (k * n - k - n) * ms.error
    low = n * (ms.subjects - f_low * ms.error) / (f_low * others + n * ms.subjects)
    high = n * (f_high * ms.subjects - ms.error) / (others + n * f_high * ms.subjects)
    return Estimate(float(value), float(low), float(high))


def _stepped_up(single: Estimate, k: int) -> Estimate:
    """Spearman-Brown: reliability of the mean of k ratings from that of one."""
    value, low, high = (k * x / (1 + (k - 1) * x) for x in (single.value, single.low, single.high))
    return Estimate(value, low, high)


def _checked(ratings: Floats) -> Floats:
    if ratings.ndim != 2 or min(ratings.shape) < 2 or not np.all(np.isfinite(ratings)):
        raise ValueError("ratings must be complete, with at least two subjects and two raters")
    return ratings


def kappa(a: NDArray[np.int_], b: NDArray[np.int_], categories: int, weights: Weights = "none") -> Estimate:
    """Cohen's kappa of two raters, chance removed, with the interval of Fleiss, Cohen & Everitt 1969.

    a, b (n,): category numbers 0 .. categories - 1; weights credit near misses of ordered categories.
    The interval takes the n ratings as independent. NaN where both used one and the same category.
    """
    table = np.zeros((categories, categories))
    np.add.at(table, (a, b), 1)
    share = table / table.sum()
    credit = _credit(categories, weights)
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    observed = float((credit * share).sum())
    expected = float((credit * np.outer(rows, columns)).sum())
    if np.isclose(expected, 1):
        return Estimate(np.nan, np.nan, np.nan)
    value = (observed - expected) / (1 - expected)
    mean_credit = (credit @ columns)[:, None] + (credit.T @ rows)[None, :]
    variance = (share * (credit - mean_credit * (1 - value)) ** 2).sum()
    variance -= (value - expected * (1 - value)) ** 2
    half = Z95 * np.sqrt(max(0.0, float(variance)) / table.sum()) / (1 - expected)
    return Estimate(value, max(-1.0, float(value - half)), min(1.0, float(value + half)))


def _credit(categories: int, weights: Weights) -> Floats:
    """Credit for each pair of categories, (categories, categories): 1 for the same one."""
    apart = np.abs(np.subtract.outer(np.arange(categories), np.arange(categories))) / max(1, categories - 1)
    credit = {"none": apart == 0, "linear": 1 - apart, "quadratic": 1 - apart**2}[weights]
    return np.asarray(credit, dtype=np.float64)


def bland_altman(a: Floats, b: Floats) -> Agreement:
    """Agreement of paired values (n,), n at least 3: the differences b - a, with 1.96 SD limits.

    Intervals by Bland & Altman 1986: SE of the bias s / sqrt(n), of a limit about sqrt(3) s / sqrt(n).
    """
    difference = b - a
    n = len(difference)
    if n < 3:
        raise ValueError("agreement needs at least three pairs")
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    step = float(stats.t.ppf(0.975, n - 1)) * sd / np.sqrt(n)
    centres = (bias, bias - Z95 * sd, bias + Z95 * sd)
    halves = (step, np.sqrt(3) * step, np.sqrt(3) * step)
    middle, lower, upper = (
        Estimate(c, float(c - h), float(c + h)) for c, h in zip(centres, halves, strict=True)
    )
    return Agreement(n, middle, sd, lower, upper, float(np.abs(difference).mean()))


def mixed_half_width(widths: tuple[float, float], shares: tuple[float, float]) -> float:
    """95 % half-width of values of which shares (that sum to 1) have half-widths of their own.

    Errors are taken as normal about zero in both.
    """

    def outside(half_width: float) -> float:
        beyond = (
            share * stats.norm.sf(Z95 * half_width / w) for w, share in zip(widths, shares, strict=True)
        )
        return float(2 * sum(beyond)) - 0.05

    low, high = min(widths), max(widths)
    return low if low == high else float(optimize.brentq(outside, low * 0.99, high * 1.01))
