"""Follows the cloth (or skin) over the pelvis from picture to picture, always against the still start."""

from analysis.fabric.tracker import NOTHING, SPOTS, FabricTracker

__all__ = ["NOTHING", "SPOTS", "FabricTracker"]
