"""Cuts a set into repetitions: which side, when each begins, turns and is back at rest."""

from analysis.repetitions.cut import cut
from analysis.repetitions.find import find
from analysis.repetitions.hidden import added, without_hidden
from analysis.repetitions.picture import timed
from analysis.repetitions.span import Span

__all__ = ["Span", "added", "cut", "find", "timed", "without_hidden"]
