"""Judges repetitions: measures against limits, with their uncertainty, into findings and verdicts."""

from analysis.findings.judge import Judged, judge
from analysis.findings.spots import spots_cm

__all__ = ["Judged", "judge", "spots_cm"]
