"""What the frames of a clip show, measured on all cores: `observe` gives the `Observations`."""

from analysis.observe.walk import observe

__all__ = ["observe"]
