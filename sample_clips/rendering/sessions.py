"""Renders sessions of the same people over weeks, whose true change is known.

python -m sample_clips.rendering.sessions OUT_FOLDER [--first 0] [--people 9] [--exercise toe_tap ...]

A person keeps body and habits. From one session to the next clothes, room, light, the place of the phone
and of the arms are others, and the feet stand a little differently; range, tempo and what the pelvis does
are those of the `Day`. A clip that is there already is kept.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sample_clips.rendering.body import Body, make_body
from sample_clips.rendering.clip import Plan, plan
from sample_clips.rendering.make import write
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.movement import Movement
from sample_clips.rendering.person import Conditions, phenotype

PEOPLE = 9
FPS = 12.5  # as many pictures as are measured of a clip of any rate
SIZE_PX = (960, 540)
FEET_DEG, PELVIS_DEG = 1.5, 0.2  # standard deviation of a day: bend of the resting knees; pelvis following


@dataclass(frozen=True)
class Day:
    """One session: range and times as shares of the person's usual ones, and the pelvis's turn [deg]."""

    size: float = 1.0
    pace: float = 1.0
    pelvis_deg: float = 0.0


@dataclass(frozen=True)
class Study:
    """How people do an exercise: repetitions, and the amount that tells the range, usual for these people.

    turn: which of tilt, obliquity and rotation a `Day` changes; none where the pelvis moves by itself.
    """

    repetitions: int
    amount: str
    usual: tuple[float, float]
    turn: int | None


STUDIES = {
    "toe_tap": Study(6, "out", (0.14, 0.165), 0),
    "clam": Study(4, "open", (26, 32), 2),
    "bridge": Study(4, "lift", (0.11, 0.14), 1),
    "knee_rolls": Study(6, "roll", (30, 36), None),
    "leg_extension": Study(4, "reach_flexion", (58, 64), 0),
}
# Three sessions alike but for tempo and pelvis, then a small and a large change of range; one row a person.
DAYS = (
    (Day(), Day(pace=1.3), Day(pelvis_deg=9.0), Day(1.3), Day(2.0)),
    (Day(), Day(pace=1.6), Day(pelvis_deg=-10.0), Day(0.75), Day(1.6)),
    (Day(), Day(pace=2.0), Day(pelvis_deg=16.0), Day(1.2), Day(2.1)),
)


def movement(person: int, exercise: str, day: Day, body: Body, rng: np.random.Generator) -> Movement:
    """The person's own way to do the exercise, as it is on this day; `rng` draws what differs by chance."""
    study = STUDIES[exercise]
    own = np.random.default_rng([person, list(MOVEMENTS).index(exercise)])
    moved = MOVEMENTS[exercise](body, own)
    fastest, slowest = moved.phase_s
    phase_s = day.pace * own.uniform(fastest, (fastest + slowest) / 2)
    setattr(moved, study.amount, own.uniform(*study.usual))
    moved.size = day.size
    moved.reps, moved.phase_s = (study.repetitions,) * 2, (phase_s, phase_s)
    moved.coupling = moved.coupling + rng.normal(0, PELVIS_DEG, 3)
    if study.turn is not None:
        moved.coupling[study.turn] += day.pelvis_deg
    moved.drift = rng.uniform(0.3, 1.0), rng.uniform(0, 6.3)
    moved.bend += rng.normal(0, FEET_DEG)
    if hasattr(moved, "arms"):
        moved.arms = rng.choice(["side", "out", "belly"])
    return moved


def session(person: int, exercise: str, number: int, body: Body) -> Plan:
    """Plan of the person's session of that number, from 0."""
    day = DAYS[person % len(DAYS)][number]
    seed = 600_000 + 1000 * person + 10 * list(MOVEMENTS).index(exercise) + number
    return plan(
        f"{exercise}_{person}_{number}",
        exercise,
        body,
        seed,
        conditions=Conditions(size=SIZE_PX),
        fault_share=0.0,
        table={exercise: lambda body, rng: movement(person, exercise, day, body, rng)},
    )


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument(
        "--first", type=int, default=0, help="number of the first person; every number is another"
    )
    parser.add_argument("--people", type=int, default=PEOPLE)
    parser.add_argument("--exercise", nargs="+", choices=list(STUDIES), default=list(STUDIES))
    a = parser.parse_args()
    for person in range(a.first, a.first + a.people):
        body = make_body(**phenotype(np.random.default_rng(78_000 + person)))
        for exercise in a.exercise:
            for number in range(len(DAYS[person % len(DAYS)])):
                p = session(person, exercise, number, body)
                if not (a.folder / f"{p.name}.truth.json").exists():
                    print(write(a.folder, p, FPS, person=person), flush=True)


if __name__ == "__main__":
    main()
