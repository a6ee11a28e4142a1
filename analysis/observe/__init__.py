"""What the frames of a clip show, measured on all cores: `observe` gives the `Observations`.

`look`, `observe_part` and `join` are its steps one by one, with what lies between them in `kept`.
"""

from analysis.observe.walk import join, look, most_parts, observe, observe_part

__all__ = ["join", "look", "most_parts", "observe", "observe_part"]
