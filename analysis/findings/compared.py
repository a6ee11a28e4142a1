"""Ranges of a set compared by where points of the body go in the picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from analysis.exercises import Exercise
from analysis.findings.changes import Change
from analysis.findings.usual import centre
from analysis.repetitions import Span

FEWEST_ALIKE = 2  # repetitions of a side, to compare their ways
# One-sided 95 % error of a way in the picture against the usual one: on rendered clips sound repetitions
# differ by 1.7 to 4.2 % (standard deviation), 2.5 % of which the clients really did.
WAY_ERROR = 0.03
# The same of a roll of the knees: on 59 rendered clips those to one side differ by 4.3 % (standard deviation)
# more or less than they did, large ones by 9 %.
ROLL_ERROR = 0.09
# Angles and the picture disagree on a sound repetition, or one with a fault of size, by less than this share
# of the usual range (rendered clips); by more, one of them has lost the leg, and that was the picture.
APART = 0.55


class _Seen(NamedTuple):
    """A repetition and its range by angles."""

    span: Span
    range: Change


def compared(
    spans: Sequence[Span], ranges: Sequence[Change | None], exercise: Exercise
) -> list[Change | None]:
    """Each range against those of the same side, by their ways in the picture where those are known.

    The usual range stays what the angles say: the picture tells only how much more or less this one was; of
    rolls, it also has a say in how the sides compare. Where the two contradict each other, the angles stand,
    as unsure as that.
    """
    seen = [_Seen(span, told) for span, told in zip(spans, ranges, strict=True) if told]
    known = {one.span: _compared(one, seen, exercise) for one in seen}
    return [known.get(span) for span in spans]


def _compared(one: _Seen, seen: Sequence[_Seen], exercise: Exercise) -> Change:
    rolls, beyond_seen = exercise.movement.shape == "roll", exercise.range.beyond_seen
    alike = [o for o in seen if o.span.side == one.span.side]
    if len(alike) < FEWEST_ALIKE:
        return one.range
    by_way = [o for o in alike if np.isfinite(o.span.way)]
    if one not in by_way or len(by_way) < FEWEST_ALIKE:
        return _all_of(one.range, _usual_deg(alike), beyond_seen)
    usual_deg = _usual_deg(by_way) * (_by_both(by_way, seen) if rolls else 1.0)
    share = one.span.way / _usual_way(by_way)
    apart = abs(usual_deg * share - one.range.value)
    if apart > APART * abs(usual_deg):
        return replace(one.range, uncertainty=apart)
    error = (ROLL_ERROR if rolls else WAY_ERROR) * abs(usual_deg)
    return _all_of(Change(usual_deg * share, error, one.range.at_s), usual_deg, beyond_seen)


def _by_both(own: Sequence[_Seen], seen: Sequence[_Seen]) -> float:
    """By what the usual roll to a side, told by angles, is multiplied where the picture has a say, too.

    On 53 rendered clips the ratio of the sides errs by 16 % by the angles and by 21 % by the picture (root
    mean square), and by 15 % by the mean of the two.
    """
    other = [o for o in seen if o.span.side != own[0].span.side and np.isfinite(o.span.way)]
    if not other:
        return 1.0
    by_picture = _usual_way(own) / _usual_way(other)
    by_angles = _usual_deg(own) / _usual_deg(other)
    return float(abs(by_picture / by_angles) ** 0.25)  # half of the way from one to the other, each side half


def _usual_way(alike: Sequence[_Seen]) -> float:
    return centre(np.array([o.span.way for o in alike]))


def _usual_deg(alike: Sequence[_Seen]) -> float:
    return centre(np.array([o.range.value for o in alike]))


def _all_of(told: Change, usual_deg: float, beyond_seen: float) -> Change:
    """A range with what goes beyond the usual one as large as it is, not as it is seen."""
    beyond = told.value - usual_deg
    if beyond * np.sign(usual_deg) <= 0:
        return told
    return Change(usual_deg + beyond / beyond_seen, told.uncertainty / beyond_seen, told.at_s)
