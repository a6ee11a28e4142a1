"""One clip: frames and exact truth for a seed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from sample_clips.rendering.body import Body, Floats
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.movement import Movement, Rep, timeline
from sample_clips.rendering.person import Conditions, camera, frame_key, look
from sample_clips.rendering.pose import Posed, pose
from sample_clips.rendering.scene import CARD, MAT_FRAMES, Camera, Picture, Studio, _quad, room

_SHORT = {"left": "L", "right": "R", "both": "both"}


@dataclass(frozen=True, eq=False)
class Plan:
    """Everything that fixes a clip: who, what, where, and when."""

    name: str
    movement: Movement
    reps: list[Rep]
    frame: Floats
    origin: Floats
    camera: Camera
    view: str
    duration_s: float
    card: bool
    rng: np.random.Generator
    conditions: Conditions

    def posed(self, t: float) -> Posed:
        """The client at time t [s]."""
        return pose(self.movement.body, self.movement.posture(self.reps, t))

    def world(self, points: Floats) -> Floats:
        """Mat frame to world."""
        return points @ self.frame.T + self.origin


def _resting_height(movement: Movement, frame: Floats) -> float:
    """Height of the pelvis above the mat so that the lowest skin just touches it [m]."""
    still = pose(movement.body, movement.posture([], 0.0))
    z = (movement.body.skin(still.rotations, still.positions) @ frame.T)[:, 2]
    low = np.quantile(z, 0.02) if movement.lies != "kneeling" else np.quantile(z, 0.004)
    return float(-low)


def plan(
    name: str,
    exercise: str,
    body: Body,
    seed: int,
    *,
    view: str | None = None,
    conditions: Conditions | None = None,
    card: bool = False,
    fault_share: float = 0.3,
    table: Mapping[str, Callable[[Body, np.random.Generator], Movement]] = MOVEMENTS,
) -> Plan:
    """Draw a clip of an exercise for a body from a seed."""
    rng = np.random.default_rng(seed)
    movement = table[exercise](body, rng)
    conditions = conditions or Conditions()
    reps = timeline(movement, rng, fault_share)
    frame = MAT_FRAMES[frame_key(movement)]
    origin = np.array([0.0, rng.uniform(-0.1, 0.1), _resting_height(movement, frame)])
    view = view or str(rng.choice(movement.views))
    turns = [r.start + r.out_s for r in reps] or [5.0, 10.0, 15.0, 20.0]
    shape = [pose(body, movement.posture(reps, t)) for t in (0.0, *turns)]
    skins = [body.skin(p.rotations, p.positions)[::37] for p in shape]
    points = np.vstack(skins) @ frame.T + origin
    phone = camera(view, frame, points, rng, conditions)
    end = (reps[-1].end if reps else 22.0) + rng.uniform(1.0, 2.0)
    return Plan(name, movement, reps, frame, origin, phone, view, float(end), card, rng, conditions)


def _cards(p: Plan, posed: Posed) -> Floats | None:
    """Pelvis card on the side of the pelvis that faces the phone, and the mat card in front of it."""
    if not p.card:
        return None
    pelvis = p.frame @ posed.rotations["pelvis"]
    hips = p.world(posed.positions["pelvis"])
    to_phone = p.frame.T @ (p.camera.at - hips)
    axis = 0 if abs(to_phone[0]) > abs(to_phone[2]) * 1.2 else 2
    sign = np.sign(to_phone[axis]) or 1.0
    off = {0: 0.17, 2: 0.21}[axis] * sign * np.eye(3)[axis] + np.array([0, 0.05, 0])
    across = np.cross(np.array([0, 1.0, 0]), sign * np.eye(3)[axis])
    half = 0.05
    quad = _quad(hips + pelvis @ off, pelvis @ across * half, pelvis @ np.array([0, half, 0]), CARD, True)
    return quad


def frames(p: Plan, times: Floats, board: Picture | None = None) -> Iterator[tuple[Picture, Posed]]:
    """Pictures (H, W, 3) uint8 with the posed body, one a time [s]."""
    body = p.movement.body
    studio = Studio(body, look(p.rng, p.conditions), p.camera, room(p.rng, p.camera), board)
    noise = np.random.default_rng(1)
    level = 2.5 if not p.conditions.low_light else 6.0
    grain = noise.normal(0, level, (4, p.camera.height, p.camera.width, 1)).astype(np.float32)
    for i, t in enumerate(times):
        posed = p.posed(float(t))
        picture = studio.draw(p.world(body.skin(posed.rotations, posed.positions)), _cards(p, posed))
        yield np.clip(picture + grain[i % 4], 0, 255).astype(np.uint8), posed


def truth(p: Plan, fps: float) -> dict[str, object]:
    """The exact truth of the clip: repetitions with faults, and every angle at every frame."""
    times = np.arange(0, p.duration_s, 1 / fps)
    series = []
    for t in times:
        angles = p.posed(float(t)).angles
        short = {k.replace("_left", "_L").replace("_right", "_R"): v for k, v in angles.items()}
        series.append({k: None if v is None else round(v, 2) for k, v in short.items()})
    reps = [
        {
            "side": _SHORT[r.side],
            "start": round(r.start, 3),
            "arrive": round(r.start + r.out_s, 3),
            "leave": round(r.end - r.back_s, 3),
            "end": round(r.end, 3),
            "faults": r.faults,
        }
        for r in p.reps
    ]
    return {
        "name": p.name,
        "exercise": p.movement.name,
        "view": p.view,
        "fps": fps,
        "reps": reps,
        "series": series,
    }


__all__ = ["MOVEMENTS", "Plan", "frames", "plan", "truth"]
