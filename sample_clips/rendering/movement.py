"""A timeline of repetitions with faults of known size, and what all exercises share of the posture.

Faults: `tilt`, `rot`, `obl` [deg, pelvis turned at the far end of the repetition], `tempo` (share of the
usual time), `range` (share of the usual range), `miss` [m, tap off the usual spot].
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sample_clips.rendering.body import Body
from sample_clips.rendering.pose import SIDES, PlantedLeg, Posture, leg_lengths

UP = np.array([1.0, 0.0, 0.0])
_STIRS_DEG = 0.5  # a trunk at rest, with every repetition and as it breathes; common practice, no source
Z = {"left": -1.0, "right": 1.0}


@dataclass(frozen=True)
class Rep:
    """One repetition: side L, R or both; out, hold and back times [s]; faults by name."""

    side: str
    start: float
    out_s: float
    hold_s: float
    back_s: float
    faults: dict[str, float] = field(default_factory=dict)
    reverse: bool = False

    @property
    def end(self) -> float:
        """When the repetition ends [s]."""
        return self.start + self.out_s + self.hold_s + self.back_s

    def progress(self, t: float) -> float:
        """How far out, 0 at start and end, 1 at the turn (minimum jerk each way)."""
        t -= self.start
        if t < self.out_s:
            x = t / self.out_s
        else:
            x = 1 - np.clip((t - self.out_s - self.hold_s) / self.back_s, 0, 1)
        return float(x**3 * (10 - 15 * x + 6 * x * x))

    def phase(self, t: float) -> float:
        """Share of the whole repetition done, eased at both ends, 0..1."""
        x = float(np.clip((t - self.start) / (self.end - self.start), 0, 1))
        return x + 0.06 * np.sin(2 * np.pi * x) * -1


class Movement:
    """Base: a still posture, and what one repetition changes in it."""

    name = ""
    lies = "supine"
    views: tuple[str, ...] = ("side",)
    alternating = True
    reps = (4, 7)
    phase_s = (1.3, 2.4)
    hold_s = (0.0, 0.3)
    faults: tuple[str, ...] = ("tilt", "tempo", "range")
    range_faults = ((0.45, 0.68), (1.32, 1.5))
    size = 1.0  # of the whole set, as a share of this client's usual range

    def __init__(self, body: Body, rng: np.random.Generator) -> None:
        self.body, self.rng = body, rng
        self.thigh, self.shank = leg_lengths(body, "left")
        self.coupling = rng.normal(0, 0.7, 3)  # a sound client's pelvis follows a little [deg]
        self.drift = rng.uniform(0.3, 1.0), rng.uniform(0, 6.3)
        self.trunk_follows = rng.spawn(1)[0].normal(0, _STIRS_DEG)
        self.choose()

    def choose(self) -> None:
        """Draw what is constant over the clip."""

    def clear_card(self) -> None:
        """Keep arms off the pelvis card, as its page tells."""

    def possible(self, faults: dict[str, float]) -> dict[str, float]:
        """The faults as this client can make them."""
        return faults

    def still(self) -> Posture:
        """Posture between repetitions."""
        raise NotImplementedError

    def at(self, rep: Rep, t: float, side: str) -> dict[str, object]:
        """Fields of the posture that the repetition changes at time t."""
        raise NotImplementedError

    def crook(self, side: str, spread: float = 0.0) -> PlantedLeg:
        """Knee bent, foot on the mat."""
        hip = self.body.pivots[f"thigh_{side}"] - self.body.pivots["pelvis"]
        reach = np.sqrt(max(self.reach**2 - self.drop**2, 0.01))
        ankle = hip + np.array([-self.drop, -reach, Z[side] * spread])
        return PlantedLeg(ankle, UP)

    @property
    def drop(self) -> float:
        """Height of the hip joint above the ankle of a planted foot [m]."""
        return self.back - 0.075

    @property
    def back(self) -> float:
        """Height of the hip joint above the mat [m]."""
        near = np.abs(self.body.vertices[:, 1] - self.body.pivots["pelvis"][1]) < 0.12
        return float(self.body.pivots["pelvis"][0] - self.body.vertices[near, 0].min()) * 0.9

    @property
    def reach(self) -> float:
        """Hip to ankle distance for the clip's knee bend [m]."""
        bend = np.radians(180 - self.bend)
        return float(np.sqrt(self.thigh**2 + self.shank**2 - 2 * self.thigh * self.shank * np.cos(bend)))

    def posture(self, reps: list[Rep], t: float) -> Posture:
        """The client's posture at time t [s]: still, or inside a repetition with its faults."""
        base = self.still()
        legs, fields = dict(base.legs), {}
        breath, phase = self.drift
        breathing = breath * np.sin(1.6 * t + phase)
        turn = {"tilt": 0.3 * breathing, "obliquity": 0.0, "rotation": 0.0}
        stir = _STIRS_DEG * breathing
        rep = next((r for r in reps if r.start <= t < r.end), None)
        if rep is not None:
            changes = self.at(rep, t, rep.side)
            legs |= {k: v for k, v in changes.items() if k in SIDES}
            fields = {k: v for k, v in changes.items() if k not in (*SIDES, *turn)}
            w = rep.progress(t)
            stir += self.trunk_follows * w
            mirror = -1.0 if rep.side == "right" else 1.0
            for (name, fault), own in zip(
                (("tilt", "tilt"), ("obliquity", "obl"), ("rotation", "rot")), self.coupling, strict=True
            ):
                extra = rep.faults.get(fault, own * (1.0 if name == "tilt" else mirror))
                turn[name] += float(changes.get(name, 0.0)) + w * extra
        arms = fields.pop("arms", base.arms)
        fields.setdefault("neck_curl", base.neck_curl)
        fields["trunk_curl"] = fields.get("trunk_curl", 0.0) + stir
        return Posture(legs, **turn, **fields, arms=arms)

    bend = 95.0

    def amount(self, rep: Rep) -> float:
        """Range of this repetition as a share of the usual one; a fault is as large as the truth says."""
        return self.size * rep.faults.get("range", rep_noise(rep))


def rep_noise(rep: Rep) -> float:
    """A client's own spread from one repetition to the next, a few percent, fixed by its start."""
    return 1 + 0.035 * float(np.sin(37.7 * rep.start))


def _draw_fault(movement: Movement, rng: np.random.Generator) -> dict[str, float]:
    if not movement.faults:
        return {}
    kind = str(rng.choice(movement.faults))
    if kind == "tempo":
        return {kind: float(rng.uniform(0.38, 0.5))}
    if kind == "range":
        low, high = movement.range_faults[int(rng.integers(2))]
        return {kind: float(rng.uniform(low, high))}
    if kind == "miss":
        return {kind: float(rng.uniform(0.065, 0.12) * rng.choice([-1, 1]))}
    return {kind: float(rng.uniform(6.5, 13) * rng.choice([-1, 1]))}


def timeline(
    movement: Movement, rng: np.random.Generator, fault_share: float = 0.3, lead_in: float = 1.5
) -> list[Rep]:
    """Repetitions one after the other, with faults in about `fault_share` of them."""
    t = lead_in + rng.uniform(0, 0.8)
    usual = rng.uniform(*movement.phase_s)
    first = int(rng.integers(2))
    reps: list[Rep] = []
    count = int(rng.integers(movement.reps[0], movement.reps[1] + 1))
    for i in range(count):
        faults = movement.possible(_draw_fault(movement, rng)) if rng.random() < fault_share else {}
        pace = faults.get("tempo", 1.0) * rng.uniform(0.93, 1.07)
        side = SIDES[(i + first) % 2] if movement.alternating else getattr(movement, "top", "both")
        rep = Rep(
            side,
            float(t),
            usual * pace,
            float(rng.uniform(*movement.hold_s)),
            usual * pace * float(rng.uniform(0.9, 1.1)),
            faults,
            reverse=i >= (count + 1) // 2,
        )
        reps.append(rep)
        t = rep.end + rng.uniform(0.25, 0.9)
    return reps


def posture_at(movement: Movement, reps: list[Rep], t: float) -> Posture:
    """The client's posture at time t [s]."""
    return movement.posture(reps, t)
