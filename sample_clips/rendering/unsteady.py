"""Movements in which the pelvis goes astray in every way: what reads the pelvis learns from these.

What is learned must depend neither on how these exercises are played nor on what the rest of the body does
when the pelvis turns: it may take the chest along, or the chest stays where it lies.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sample_clips.rendering.body import Body, Floats
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.movement import Movement, Rep
from sample_clips.rendering.pose import Posture, pose

FAULTS = ("tilt", "rot", "obl", "tilt", "rot", "obl", "range", "tempo")
PELVIC = ("tilt", "rot", "obl")
SIZES = (0.35, 1.15)  # of the faults of the pelvis, as a share of those in the validation clips
HABIT_DEG, HABIT_SHARE = 3.5, 0.3  # some take the pelvis along in every repetition


class Unsteady(Movement):
    """Put before a movement's own class."""

    faults = FAULTS

    def __init__(self, body: Body, rng: np.random.Generator) -> None:
        super().__init__(body, rng)
        self.share = rng.uniform(*SIZES)
        self.chest_stays = float(rng.choice([0.0, rng.uniform(0, 1)]))
        if rng.random() < HABIT_SHARE:
            self.coupling = rng.normal(0, HABIT_DEG, 3)

    def posture(self, reps: list[Rep], t: float) -> Posture:
        """As the movement's own; the pelvis moves by as much as the chest stays."""
        astray = super().posture([replace(r, faults=self._faults(r)) for r in reps], t)
        if self.chest_stays == 0 or not any(r.start <= t < r.end and _pelvic(r) for r in reps):
            return astray
        own = super().posture([replace(r, faults=_others(r)) for r in reps], t)
        steady = replace(astray, tilt=own.tilt, obliquity=own.obliquity, rotation=own.rotation)
        moved = self._chest(astray) - self._chest(steady)
        return replace(astray, shift=astray.shift - self.chest_stays * moved)

    def _faults(self, rep: Rep) -> dict[str, float]:
        return {k: v * self.share if k in PELVIC else v for k, v in rep.faults.items()}

    def _chest(self, posture: Posture) -> Floats:
        return pose(self.body, posture).positions["trunk"]


def _pelvic(rep: Rep) -> bool:
    return any(k in PELVIC for k in rep.faults)


def _others(rep: Rep) -> dict[str, float]:
    return {k: v for k, v in rep.faults.items() if k not in PELVIC}


UNSTEADY: dict[str, type[Movement]] = {
    name: type(f"Unsteady{kind.__name__}", (Unsteady, kind), {}) for name, kind in MOVEMENTS.items()
}
