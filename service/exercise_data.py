"""What the service asks of the exercises: whether there is one, and what a coach may set for a client."""

from pydantic import ValidationError

from analysis import exercises
from service.errors import Refused

TARGETS = tuple(exercises.Prescription.model_fields)


def require(name: str) -> None:
    """Raise UnknownExerciseError, which suggests the nearest, where there is no such exercise."""
    exercises.load(name)


def require_target(exercise: str, name: str, value: float) -> None:
    """Raise Refused where an exercise has no such target, or it cannot have this value."""
    require(exercise)
    if name not in TARGETS:
        raise Refused(f"There is no target {name}. There are: {', '.join(TARGETS)}.")
    try:
        exercises.Prescription(**{name: value})
    except ValidationError as error:
        raise Refused(f"{name} cannot be {value:g}: {error.errors()[0]['msg']}.") from error
