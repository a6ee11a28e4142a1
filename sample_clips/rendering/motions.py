"""What a client does in a clip, the posture at every moment: one class an exercise.

Every random choice comes from the clip's own generator.
"""

from __future__ import annotations

import numpy as np

from sample_clips.rendering.movement import UP, Movement, Rep, Z
from sample_clips.rendering.pose import SIDES, ArmPose, FreeLeg, PlantedLeg, Posture

OTHER = {"left": "right", "right": "left"}


def _lerp(points: list[float], w: float) -> float:
    return float(np.interp(w, np.linspace(0, 1, len(points)), points))


class Supine(Movement):
    """Lying on the back with both feet planted."""

    def choose(self) -> None:
        self.bend = self.rng.uniform(82, 112)
        self.spread = self.rng.uniform(-0.03, 0.06)
        self.arms = self.rng.choice(["side", "side", "out", "belly"])

    def clear_card(self) -> None:
        if self.arms == "side":
            self.arms = "belly"

    def arm_pose(self) -> ArmPose:
        return {
            "side": ArmPose(),
            "out": ArmPose((-0.1, -0.5, 0.9), (-0.1, -0.5, 0.9)),
            "belly": ArmPose((-0.05, -0.85, 0.5), (0.25, -0.55, -0.75)),
            "head": ArmPose((0.1, 0.35, 0.9), (-0.15, 0.75, -0.75)),
        }[str(self.arms)]

    def still(self) -> Posture:
        arms = dict.fromkeys(SIDES, self.arm_pose())
        return Posture({s: self.crook(s, self.spread) for s in SIDES}, arms=arms)


class PelvicTilt(Supine):
    name, alternating, faults = "pelvic_tilt", False, ("tempo", "range")
    phase_s = (1.6, 2.8)
    hold_s = (0.0, 0.1)

    def choose(self) -> None:
        super().choose()
        self.tuck, self.arch = self.rng.uniform(7, 14), self.rng.uniform(6, 13)

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        x = rep.phase(t)
        a = self.amount(rep)
        wave = -np.sin(2 * np.pi * x) * (self.tuck if x < 0.5 else self.arch)
        return {"tilt": float(a * wave)}


class BentKneeFallout(Supine):
    name, views, faults = "bent_knee_fallout", ("oblique", "overhead"), ("rot", "tempo", "range")

    def choose(self) -> None:
        super().choose()
        self.open = self.rng.uniform(28, 48)

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        leg = self.crook(side, self.spread)
        turn = self.open * self.amount(rep) * rep.progress(t)
        return {side: PlantedLeg(leg.ankle, UP, fallout=turn)}


class ToeTap(Supine):
    name, faults = "toe_tap", ("tilt", "tempo", "miss")

    def choose(self) -> None:
        super().choose()
        self.out, self.height = self.rng.uniform(0.2, 0.32), self.rng.uniform(0.07, 0.14)
        self.bend = self.rng.uniform(95, 115)
        self.out = min(self.out, self._farthest())

    def possible(self, faults: dict[str, float]) -> dict[str, float]:
        too_far = self.size * self.out + faults.get("miss", 0.0) > self._farthest()
        return {k: -abs(v) if k == "miss" and too_far else v for k, v in faults.items()}

    def _farthest(self) -> float:
        """How far from its place the foot can tap [m]."""
        straight = 0.99 * (self.thigh + self.shank)
        return float(np.sqrt(straight**2 - self.drop**2) - np.sqrt(self.reach**2 - self.drop**2))

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        w = rep.progress(t)
        leg = self.crook(side, self.spread)
        far = self.size * self.out + rep.faults.get("miss", 0.0)
        move = np.array([4 * self.height * w * (1 - w), -far * w, 0.0])
        return {side: PlantedLeg(leg.ankle + move, UP)}


class LegExtension(Supine):
    name, faults = "leg_extension", ("tilt", "rot", "tempo", "range")
    phase_s = (2.0, 3.2)

    def choose(self) -> None:
        super().choose()
        self.reach_flexion, self.reach_knee = self.rng.uniform(40, 55), self.rng.uniform(5, 20)

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        w = rep.progress(t)
        hip0, knee0 = self._crook_angles()
        a = self.amount(rep)
        hip1 = 90 + a * (self.reach_flexion - 90)
        knee1 = max(90 + a * (self.reach_knee - 90), 2.0)
        flexion = _lerp([hip0, 90, hip1], w)
        knee = _lerp([knee0, 90, knee1], w)
        return {side: FreeLeg(flexion, 2.0, 0.0, knee)}

    def _crook_angles(self) -> tuple[float, float]:
        down = np.degrees(np.arcsin(np.clip(self.drop / self.reach, 0, 1)))
        cos_hip = (self.thigh**2 + self.reach**2 - self.shank**2) / (2 * self.thigh * self.reach)
        return float(np.degrees(np.arccos(cos_hip)) - down), self.bend


class CurlUp(Supine):
    name, alternating, faults = "curl_up", False, ("tempo", "range", "tilt")

    def choose(self) -> None:
        super().choose()
        self.curl, self.arms = self.rng.uniform(25, 42), self.rng.choice(["side", "head"])

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        c = self.curl * self.amount(rep) * rep.progress(t)
        with_ribs = 0.0 if "tilt" in rep.faults else -0.08 * c  # a pelvis that goes astray goes its own way
        return {"trunk_curl": c, "neck_curl": 0.5 * c, "tilt": with_ribs}


class KneeRolls(Supine):
    name, views, faults = "knee_rolls", ("oblique",), ("tempo", "range")

    def choose(self) -> None:
        super().choose()
        self.roll, self.share = self.rng.uniform(25, 45), self.rng.uniform(0.3, 0.5)
        self.spread = self.rng.uniform(-0.06, -0.02)

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        roll = self.roll * self.amount(rep) * rep.progress(t) * (1 if side == "left" else -1)
        legs = {s: PlantedLeg(self.crook(s, self.spread).ankle, UP, -roll * Z[s]) for s in SIDES}
        return legs | {"rotation": self.share * roll, "trunk_turn": 0.1 * roll}


class FigureFour(Supine):
    name, views, faults = "figure_four_stretch", ("oblique",), ("rot",)
    reps, hold_s, phase_s = (2, 2), (5.0, 9.0), (1.6, 2.6)

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        w = rep.progress(t)
        a = np.degrees(np.arcsin(np.clip(self.drop / self.reach, 0, 1)))
        start = np.degrees(
            np.arccos((self.thigh**2 + self.reach**2 - self.shank**2) / (2 * self.thigh * self.reach))
        )
        hip0 = float(start - a)
        return {
            side: FreeLeg(
                _lerp([hip0, 70, 62], w),
                _lerp([2, 12, 38], w),
                _lerp([0, 20, 42], w),
                _lerp([self.bend, 105, 100], w),
            )
        }


class KneesToChest(Supine):
    name, alternating, faults = "knees_to_chest", False, ()
    reps, hold_s, phase_s = (1, 3), (5.0, 9.0), (1.6, 2.6)

    def choose(self) -> None:
        super().choose()
        self.fold, self.arms = self.rng.uniform(105, 122), "side"

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        w = rep.progress(t)
        legs = {
            s: FreeLeg(_lerp([45, 80, self.fold], w), 5.0, 0.0, _lerp([self.bend, 110, 125], w))
            for s in SIDES
        }
        hold = ArmPose((0.75, -0.7, 0.2), (0.5, -0.8, -0.1), in_trunk=True)
        arms = dict.fromkeys(SIDES, hold if w > 0.5 else self.arm_pose())
        return legs | {"tilt": -8 * w, "arms": self._blend(arms, w)}

    def _blend(self, arms: dict[str, ArmPose], w: float) -> dict[str, ArmPose]:
        rest, hold = self.arm_pose(), ArmPose((0.75, -0.7, 0.2), (0.5, -0.8, -0.1))
        mix = lambda a, b: tuple((1 - w) * np.array(a) + w * np.array(b))  # noqa: E731
        return dict.fromkeys(SIDES, ArmPose(mix(rest.upper, hold.upper), mix(rest.fore, hold.fore)))


class Bridge(Supine):
    name, alternating, faults = "bridge", False, ("tempo", "range", "obl")

    def choose(self) -> None:
        super().choose()
        self.lift, self.bend = self.rng.uniform(0.16, 0.24), self.rng.uniform(95, 115)

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        lift = self.lift * self.amount(rep) * rep.progress(t)
        trunk = float(np.degrees(np.arctan2(lift, self.body.length("pelvis", "trunk") + 0.12)))
        return {"lift": lift, "tilt": -0.35 * trunk * 0 - trunk, "trunk_curl": -trunk}


class SideLying(Movement):
    """Lying on one side; `top` is the upper side and the one that works."""

    lies, views, alternating = "side_lying", ("front",), False

    def choose(self) -> None:
        self.top = str(self.rng.choice(SIDES))
        self.hip, self.knee = self.rng.uniform(38, 55), self.rng.uniform(75, 100)

    def arms_at_rest(self) -> dict[str, ArmPose]:
        bottom = ArmPose((0.25, 0.85, 0.3), (0.2, 0.6, -0.3))
        return {self.top: self._hand_on_mat(), OTHER[self.top]: bottom}

    def _hand_on_mat(self) -> ArmPose:
        """Fingers of the upper arm on the mat before the belly; the hand is 0.108 / 0.146 of the forearm
        (segment lengths of Drillis and Contini, in Winter 2009)."""
        shoulder, elbow, wrist = (
            self.body.pivots[f"{joint}_{self.top}"] for joint in ("upper_arm", "forearm", "hand")
        )
        upper = np.array([0.75, -0.45, -0.5]) / np.linalg.norm([0.75, -0.45, -0.5])
        elbow_drops = -upper[2] * np.linalg.norm(elbow - shoulder)
        down = (2 * abs(shoulder[2]) - elbow_drops) / (np.linalg.norm(wrist - elbow) * (1 + 0.108 / 0.146))
        ahead = np.sqrt(1 - down**2) * np.array([0.95, -0.3])
        return ArmPose(tuple(upper), (float(ahead[0]), float(ahead[1]), float(-down)))


class Clam(SideLying):
    name, faults = "clam", ("rot", "tempo", "range")

    def choose(self) -> None:
        super().choose()
        self.open = self.rng.uniform(32, 48)

    def bent(self, side: str) -> PlantedLeg:
        half = self.body.length("thigh_left", "thigh_right") / 2
        hip = self.body.pivots[f"thigh_{side}"] - self.body.pivots["pelvis"]
        f, k = np.radians(self.hip), np.radians(self.hip - self.knee)
        reach = self.thigh * np.array([np.sin(f), -np.cos(f), 0]) + self.shank * np.array(
            [np.sin(k), -np.cos(k), 0]
        )
        inward = -Z[side] * np.array([0, 0, max(half - 0.055, 0.0)])
        return PlantedLeg(hip + reach + inward, UP, sole_on_mat=False)

    def still(self) -> Posture:
        return Posture({s: self.bent(s) for s in SIDES}, arms=self.arms_at_rest())

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        leg = self.bent(self.top)
        turn = self.open * self.amount(rep) * rep.progress(t)
        return {self.top: PlantedLeg(leg.ankle, UP, turn, sole_on_mat=False)}


class LegCircle(SideLying):
    name, faults = "leg_circle", ("rot", "tempo", "range")
    reps, phase_s, hold_s = (4, 8), (1.0, 1.8), (0.0, 0.0)

    def choose(self) -> None:
        super().choose()
        self.radius, self.up = self.rng.uniform(7, 13), self.rng.uniform(14, 22)
        self.bottom = (
            FreeLeg(self.hip, 0.0, 0.0, self.knee) if self.rng.random() < 0.6 else FreeLeg(5, 0, 0, 5)
        )

    def still(self) -> Posture:
        legs = {self.top: FreeLeg(2, self.up - self.radius, 0, 4), OTHER[self.top]: self.bottom}
        return Posture(legs, arms=self.arms_at_rest())

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        angle = 2 * np.pi * rep.phase(t) * (-1 if rep.reverse else 1)
        r = self.radius * self.amount(rep)
        up = self.up - self.radius + r * (1 - np.cos(angle))
        return {self.top: FreeLeg(float(2 + r * np.sin(angle)), float(up), 0.0, 4.0)}


class BirdDog(Movement):
    name, lies, faults = "bird_dog", "kneeling", ("obl", "rot", "tempo", "range")
    phase_s = (1.5, 2.4)
    hold_s = (0.2, 1.5)

    def choose(self) -> None:
        self.reach_hip = self.rng.uniform(-8, 8)
        self.slope = self.rng.uniform(-3, 6)

    def still(self) -> Posture:
        arm = ArmPose((1.0, 0.08, 0.03), (1.0, 0.08, 0.02), in_trunk=False)
        legs = {s: FreeLeg(90, 1, 0, 90) for s in SIDES}
        return Posture(legs, arms=dict.fromkeys(SIDES, arm), neck_curl=-20)

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        w, a = rep.progress(t), self.amount(rep)
        hip, knee = 90 + a * w * (self.reach_hip - 90), 90 + a * w * (8 - 90)
        reach = ArmPose(
            tuple(np.array([1.0, 0.08, 0.03]) * (1 - w) + w * np.array([0.1, 1.0, 0.1])),
            (1 - 0.95 * w, w + 0.05, 0.02),
            in_trunk=False,
        )
        arms = dict(self.still().arms) | {OTHER[side]: reach}
        return {side: FreeLeg(float(hip), 1.0, 0.0, float(max(knee, 3))), "arms": arms}


MOVEMENTS: dict[str, type[Movement]] = {
    m.name: m
    for m in (PelvicTilt, BentKneeFallout, ToeTap, LegExtension, CurlUp, Clam, LegCircle, KneeRolls,
              FigureFour, KneesToChest, Bridge, BirdDog)
}  # fmt: skip
