"""Motion of the pelvis since the still start, from the best source that the clip has."""

from analysis.pelvis.card import without_misread
from analysis.pelvis.measure import measure
from analysis.pelvis.motion import PelvisMotion

__all__ = ["PelvisMotion", "measure", "without_misread"]
