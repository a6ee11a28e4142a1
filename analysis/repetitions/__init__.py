"""Cuts a set into repetitions: which side, when each begins, turns and is back at rest."""

from analysis.repetitions.cut import cut
from analysis.repetitions.find import find
from analysis.repetitions.hidden import added, without_hidden
from analysis.repetitions.other_way import with_other_way
from analysis.repetitions.picture import timed
from analysis.repetitions.rolls import knee_roll
from analysis.repetitions.shown import completed, shown
from analysis.repetitions.span import Span

__all__ = [
    "Span",
    "added",
    "completed",
    "cut",
    "find",
    "knee_roll",
    "shown",
    "timed",
    "with_other_way",
    "without_hidden",
]
