"""Landmarks -> a consistent body in the mat frame: `fit` gives the `Skeleton`."""

from analysis.skeleton.fit import fit
from analysis.skeleton.rotations import pelvis_angles, pelvis_axes, trunk_curl

__all__ = ["fit", "pelvis_angles", "pelvis_axes", "trunk_curl"]
