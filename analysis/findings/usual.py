"""What is usual in a set: the value around which its repetitions agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from analysis.records import Floats, RepetitionSide

FEWEST = 3  # repetitions, before a set has anything usual
# Another half of the set that lies no further apart than so many times as far as the closest may be the usual
# one, too, as may one that only their error sets apart, and each of two that share nothing and are further
# apart than wide: of 1.1, 1.2 and 1.5 it is with this that 384 rendered clips lose no fault and flag few
# sound ones.
AS_CLOSE = 1.2
# A half no wider than this share of its middle is surely the usual one; on rendered clips sound repetitions
# differ by 1.7 to 4.2 % (standard deviation).
TIGHT = 0.1


Compare = Literal["well", "roughly", "never"]


@dataclass(frozen=True)
class Usual:
    """The usual value for a repetition's side, the lowest and highest that it may be just as well, and that
    of both sides, or of the side alone where its repetitions lie close together; the lowest and highest that
    it may be by both sides.

    Where two of five repetitions are small and two are large, nobody can say which of them are as usual. Nor
    can a side in which most are wrong alike, but the other side shows it.
    """

    value: float
    low: float
    high: float
    whole: float
    lowest: float
    highest: float

    @classmethod
    def set_by_the_coach(cls, value: float) -> Usual:
        """Then there is nothing to doubt in it."""
        return cls(value, value, value, value, value, value)

    def widened(self, like: Floats) -> Usual:
        """The same, where by all that is known it may be any of some values (N,)."""
        return replace(self, lowest=min(self.lowest, *like), highest=max(self.highest, *like))


_UNKNOWN = Usual(np.nan, np.nan, np.nan, np.nan, np.nan, np.nan)


def usual(
    values: Sequence[float | None],
    sides: Sequence[RepetitionSide],
    *,
    compare: Compare = "well",
    noise: float = 0.0,
) -> list[Usual]:
    """The usual value for each repetition, from its own side as far as that has a say; NaN without one.

    A side with few repetitions cannot tell a fault from its habit, so the whole set, where it has another
    side, has one vote in it, and may be right though a few of the side are alike. Where sides never
    compare, that vote does not tell which of a few is as usual: any of them may be; nor does it where they
    compare roughly, when something is to be cleared. noise: error of a difference.
    """
    of_sides = _of_sides(values, sides)
    everything = np.concatenate([np.empty(0), *of_sides.values()])
    vote = np.full(int(len(of_sides) > 1), centre(everything))
    own = {side: _usual_of(known, vote, compare != "never", noise) for side, known in of_sides.items()}
    if compare != "never" and len(everything):
        like = _as_usual(everything, noise)
        own = {side: of.widened(like) for side, of in own.items()}
    if compare == "roughly":
        own |= {s: own[s].widened(known) for s, known in of_sides.items() if len(known) <= FEWEST}
    return [own.get(side, _UNKNOWN) for side in sides]


def _usual_of(own: Floats, vote: Floats, sides_alike: bool, noise: float) -> Usual:
    """own (N,): known values of a side; vote (0,) or (1,): that of the whole set."""
    values = np.append(own, vote)
    medians, widths = _halves(values)
    value, closest = float(medians[np.argmin(widths)]), widths.min()
    few = len(own) < FEWEST
    like = _as_usual(values, noise) if sides_alike else _as_close(values, noise)
    if few:  # two faults may be alike
        like = np.append(like, vote) if sides_alike else np.append(own, value)
    sure = closest <= TIGHT * abs(value) and not few
    whole = value if sure or len(vote) == 0 else float(vote[0])
    low, high = float(like.min()), float(like.max())
    return Usual(value, low, high, whole, low, high)


def _as_usual(values: Floats, noise: float) -> Floats:
    """Medians of all halves of the values (N,) that may be the usual one, as far as `noise` tells."""
    lower, upper = np.split(np.sort(values), [len(values) // 2])
    in_two = len(lower) == len(upper) and upper[0] - lower[-1] > max(np.ptp(lower), np.ptp(upper))
    return np.append(_as_close(values, noise), [np.median(lower), np.median(upper)] if in_two else [])


def _as_close(values: Floats, noise: float) -> Floats:
    """Those of halves that lie about as close together as the closest."""
    medians, widths = _halves(values)
    return np.asarray(medians[widths <= max(AS_CLOSE * widths.min(), widths.min() + noise)])


def _of_sides(
    values: Sequence[float | None], sides: Sequence[RepetitionSide]
) -> dict[RepetitionSide, Floats]:
    """Known values of each side; none where all together are too few."""
    known = np.array([np.nan if v is None else v for v in values], float)
    finite = np.isfinite(known)
    if finite.sum() < FEWEST:
        return {}
    of_side = np.array(sides)
    return {side: known[finite & (of_side == side)] for side in set(sides)}


def unhurried(phases_s: Sequence[float]) -> float:
    """The set's own time of a phase (N,) [s], in its upper middle: haste only shortens. NaN without one."""
    return float(np.quantile(phases_s, 0.7)) if len(phases_s) >= FEWEST else np.nan


def centre(values: Floats) -> float:
    """Median of the half of the values (N,) that lie closest together; NaN for none.

    With faults in some repetitions the plain median moves towards them; sound ones lie close together.
    """
    if len(values) == 0:
        return np.nan
    medians, widths = _halves(values)
    return float(medians[np.argmin(widths)])


def _halves(values: Floats) -> tuple[Floats, Floats]:
    """Medians and widths of all runs of half of the values (N,) and one."""
    runs = np.lib.stride_tricks.sliding_window_view(np.sort(values), len(values) // 2 + 1)
    return np.median(runs, axis=1), np.ptp(runs, axis=1)


def spread(values: Sequence[float]) -> float:
    """One-sided 95 % spread of values (N,) around their median, whatever a few do; NaN for too few."""
    if len(values) < FEWEST:
        return np.nan
    return float(1.645 * 1.4826 * np.median(np.abs(np.asarray(values) - np.median(values))))
