"""What the service asks of the exercises: whether there is one, and what a coach may set for a client."""

from typing import Final, Literal

from analysis import exercises
from service.errors import Refused

# What of `exercises.Prescription` a coach may set, and the most that can be meant.
TARGETS: Final = {
    "range_deg": 180.0,
    "hold_s": 600.0,
    "tempo_s": 60.0,
    "shortest_phase_s": 60.0,
    "pelvis_deg": 90.0,
}
# The limits whose place a target takes. A hold is judged wherever one is set.
_IN_PLACE_OF: Final = {
    "range_deg": frozenset({"range_short", "range_beyond"}),
    "tempo_s": frozenset({"rushed"}),
    "shortest_phase_s": frozenset({"rushed"}),
    "pelvis_deg": frozenset({"pelvis_tilted", "pelvis_rotated", "pelvis_hiked"}),
}
Direction = Literal["easier", "harder"]
DIRECTIONS: Final[tuple[Direction, ...]] = ("easier", "harder")


def require(name: str) -> None:
    """Raise UnknownExerciseError, which suggests the nearest, where there is no such exercise."""
    exercises.load(name)


def require_target(exercise: str, name: str, value: float) -> None:
    """Raise Refused where an exercise has no such target, or it cannot have this value."""
    chosen = exercises.load(exercise)
    if name not in TARGETS:
        raise Refused(f"There is no target {name}. There are: {', '.join(TARGETS)}.")
    if not 0 < value <= TARGETS[name]:
        raise Refused(f"Choose a value above 0 and not above {TARGETS[name]:g}.")
    if name in _IN_PLACE_OF and _IN_PLACE_OF[name].isdisjoint(chosen.limits):
        raise Refused(
            f"{chosen.title} is not judged by this, so a target would change nothing. Choose another."
        )


def forms(exercise: str, direction: Direction) -> tuple[exercises.Form, ...]:
    """Easier or harder forms of an exercise."""
    found = exercises.load(exercise)
    return found.easier if direction == "easier" else found.harder


def resolve_form(exercise: str, direction: Direction, text: str) -> tuple[str, str]:
    """Exercise and words of a form: one of ours needs no words, others keep the exercise.

    Without text it is the exercise as usual. Raises Refused where there is no such form.
    """
    if not text:
        return exercise, ""
    for form in forms(exercise, direction):
        if form.text == text:
            return (form.exercise, "") if form.exercise else (exercise, text)
    known = "; ".join(form.text for form in forms(exercise, direction))
    raise Refused(f"There is no such form. There are: {known or 'none'}.")


def form_caution(exercise: str, text: str) -> str:
    """What to watch with a form of an exercise that is words; empty where none is on file."""
    from analysis.progress import proposals  # with the statistics, which few need

    words = proposals.load().exercise.get(exercise)
    if not text or words is None:
        return ""
    cautions = {"easier": words.easier_caution, "harder": words.harder_caution}
    return next((cautions[d] for d in DIRECTIONS if text in {f.text for f in forms(exercise, d)}), "")
