"""Bodies that move at random within the limits of the joints: no exercise, only variety."""

from __future__ import annotations

import numpy as np

from sample_clips.rendering.motions import Clam, Supine
from sample_clips.rendering.movement import Movement, Rep
from sample_clips.rendering.pose import SIDES, ArmPose, FreeLeg, PlantedLeg, Posture


class _Roam(Movement):
    """Legs, pelvis and trunk follow slow random waves for the whole clip."""

    reps = (0, 0)
    limits = {
        "flexion": (-5.0, 115.0),
        "abduction": (-15.0, 45.0),
        "external": (-25.0, 45.0),
        "knee": (3.0, 130.0),
    }
    pelvis = 12.0
    curl = (-4.0, 40.0)

    def choose(self) -> None:
        """Waves: value(t) = centre + a sin(w1 t + p) + b sin(w2 t + q), kept within the limits."""
        self.waves = self.rng.uniform(0, 1, (24, 7))
        self.top = str(self.rng.choice(SIDES))
        self.planted = self.rng.random(2) < 0.35
        self.bend = float(self.rng.uniform(60, 125))
        self.spread = float(self.rng.uniform(-0.08, 0.15))

    def wave(self, k: int, low: float, high: float, t: float) -> float:
        """The k-th wave at time t between low and high."""
        c, a, b, w1, w2, p, q = self.waves[k]
        x = c + 0.5 * a * np.sin((0.3 + w1) * t + 6.3 * p) + 0.3 * b * np.sin((0.8 + w2) * t + 6.3 * q)
        return float(low + (high - low) * np.clip(x, 0, 1))

    def free(self, i: int, t: float) -> FreeLeg:
        """Leg i (0 left, 1 right) at time t."""
        values = [
            self.wave(4 * i + j, *self.limits[n], t)
            for j, n in enumerate(("flexion", "abduction", "external", "knee"))
        ]
        return FreeLeg(*values)

    def leg(self, i: int, side: str, t: float) -> FreeLeg | PlantedLeg:
        """Planted for the whole clip, or free."""
        if not self.planted[i]:
            return self.free(i, t)
        crook = self.crook(side, self.spread)
        return PlantedLeg(crook.ankle, np.array([1.0, 0.0, 0.0]), fallout=self.wave(18 + i, -35, 60, t))

    def arm(self, i: int, t: float) -> ArmPose:
        """An arm by the side, out, overhead or on the belly, moving a little."""
        v = [self.wave(8 + i, -0.3, 0.8, t), self.wave(10 + i, -1.0, 0.7, 0), self.wave(12 + i, 0.1, 0.8, t)]
        return ArmPose((v[0], v[1], v[2]), (v[0] + 0.1, v[1] - 0.3, v[2] - 0.5))

    def posture(self, reps: list[Rep], t: float) -> Posture:
        """The whole body at time t."""
        legs = {s: self.leg(i, s, t) for i, s in enumerate(SIDES)}
        turn = {
            n: self.wave(14 + i, -self.pelvis, self.pelvis, t) * min(t, 1.0)
            for i, n in enumerate(("tilt", "obliquity", "rotation"))
        }
        arms = {s: self.arm(i, t) for i, s in enumerate(SIDES)}
        curl = self.wave(17, *self.curl, t)
        return Posture(legs, **turn, trunk_curl=max(curl, 0), neck_curl=self.wave(20, -15, 40, t), arms=arms)

    def still(self) -> Posture:
        """The first moment."""
        return self.posture([], 0.0)

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        """No repetitions."""
        raise NotImplementedError


class RoamSupine(_Roam, Supine):
    name = "roam_supine"
    lies = "supine"


class RoamSide(_Roam, Clam):
    name = "roam_side_lying"
    lies = "side_lying"
    limits = _Roam.limits | {"abduction": (-8.0, 50.0)}
    curl = (-8.0, 8.0)

    def choose(self) -> None:
        _Roam.choose(self)
        self.planted[:] = False


class RoamKneeling(_Roam):
    name = "roam_kneeling"
    lies = "kneeling"
    limits = {
        "flexion": (60.0, 105.0),
        "abduction": (-5.0, 12.0),
        "external": (-8.0, 8.0),
        "knee": (70.0, 110.0),
    }
    curl = (-4.0, 4.0)

    def choose(self) -> None:
        super().choose()
        self.planted[:] = False
        self.reacher = int(self.rng.integers(2))

    def free(self, i: int, t: float) -> FreeLeg:
        leg = super().free(i, t)
        if i != self.reacher:
            return leg
        return FreeLeg(self.wave(21, -15, 100, t), leg.abduction, leg.external, self.wave(22, 0, 110, t))

    def arm(self, i: int, t: float) -> ArmPose:
        if i == self.reacher:
            return ArmPose((1.0, 0.08, 0.03), (1.0, 0.08, 0.02), in_trunk=False)
        w = self.wave(23, 0, 1, t)
        return ArmPose((1.0 - 0.9 * w, 0.08 + 0.9 * w, 0.05), (1 - 0.9 * w, w, 0.02), in_trunk=False)


ROAMING: dict[str, type[Movement]] = {m.name: m for m in (RoamSupine, RoamSide, RoamKneeling)}
