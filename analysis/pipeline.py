"""The walk from a clip to its report, step by step."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from analysis import (
    capture,
    exercises,
    far_ends,
    findings,
    kinematics,
    observe,
    pelvis,
    repetitions,
    report,
    skeleton,
    stillness,
    video,
)
from analysis.conventions import Side
from analysis.exercises import Exercise, Prescription
from analysis.records import Clip, Motion, Observations, Report, SessionNotes, Skeleton

Progress = Callable[[float], None]

_OBSERVING: Final = 0.94  # share of the time, roughly; what follows has no share of its own


@dataclass(frozen=True, eq=False)
class Measured:
    """A report and what it was made of, for drawing over the clip and for exports."""

    report: Report
    clip: Clip
    observations: Observations
    skeleton: Skeleton
    motion: Motion


def check(
    path: Path | str,
    exercise: str,
    side: Side | None = None,
    *,
    fast: bool = False,
    progress: Progress | None = None,
) -> Report:
    """Measure a clip of an exercise (a name from `exercises.names()`) and judge it.

    `side` is needed only where a clip of one side cannot show which it is. `fast` takes the smaller
    pose model. `progress` is called with the share done, 0..1. A clip that cannot answer gives a report
    whose `capture.usable` is false and says why. Raises ClipError and UnknownExerciseError.
    """
    return measure(path, exercises.load(exercise), side, fast=fast, progress=progress).report


def measure(
    path: Path | str,
    exercise: Exercise,
    side: Side | None = None,
    *,
    fast: bool = False,
    prescription: Prescription | None = None,
    session: SessionNotes | None = None,
    observations: Observations | None = None,
    progress: Progress | None = None,
) -> Measured:
    """The same as `check`, against what a coach set for the client, and with every step's result.

    `observations` of this clip may be handed in where they were measured before.
    """
    tell = progress or (lambda share: None)
    clip = video.probe(path)
    if observations is None:
        observations = observe.observe(
            clip,
            fast=fast,
            cloth=exercise.moves_pelvis,
            progress=lambda share: tell(_OBSERVING * share),
        )
    body = skeleton.fit(observations, exercise)
    observations = pelvis.without_misread(observations, body)
    turned = pelvis.measure(observations, body, exercise)
    motion = kinematics.measure(body, turned)
    fitness = capture.check(clip, observations, exercise)
    still = stillness.lies_still(observations)
    roll = repetitions.knee_roll(observations, body) if exercise.movement.shape == "roll" else None
    usable = fitness.usable and not still
    found = repetitions.cut(motion, observations, exercise, side, roll) if usable else ()
    if found:
        turned = far_ends.compared(turned, clip, observations, body, found, exercise)
        motion = kinematics.measure(body, turned)
    motion = kinematics.less_sure(repetitions.without_hidden(motion, found), capture.widening(fitness))
    if still:
        motion = stillness.at_rest(motion, turned)
    own = session.tuck_arch_deg if session else None
    places = findings.spots_cm(observations, body)
    judged = findings.judge(
        found, motion, exercise, prescription, places, own, unsure=capture.is_unsure(fitness)
    )
    told = report.build(
        exercise=exercise.name,
        clip=clip,
        observations=observations,
        motion=motion,
        capture=fitness,
        repetitions=judged.repetitions,
        sides=judged.sides,
        findings=judged.findings,
        session=session,
    )
    tell(1.0)
    return Measured(told, clip, observations, body, motion)
