"""Exercises: a strict schema, and one TOML file an exercise. Targets and tolerances are data."""

from analysis.exercises.registry import load, load_file, names
from analysis.exercises.schema import Exercise, Form, Hold, Limit, Movement, Prescription, Range, Tempo

__all__ = [
    "Exercise",
    "Form",
    "Hold",
    "Limit",
    "Movement",
    "Prescription",
    "Range",
    "Tempo",
    "load",
    "load_file",
    "names",
]
