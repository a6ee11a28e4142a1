"""Judges repetitions: measures against limits, with their uncertainty, into findings and verdicts."""

from analysis.findings.judge import Judged, judge

__all__ = ["Judged", "judge"]
