"""One clip: frames and exact truth for a seed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.card.design import LENGTH_CM
from sample_clips.rendering.body import Body, Floats
from sample_clips.rendering.cards import MAT_CARD, PELVIS_CARD, roof, sheet
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.movement import Movement, Rep, timeline
from sample_clips.rendering.person import Conditions, camera, frame_key, look
from sample_clips.rendering.pose import Posed, pose
from sample_clips.rendering.scene import FLOOR_M, MAT_FRAMES, MAT_HALF_M, Camera, Picture, Studio, room

# How far a taped card turns on the cloth with every repetition, and creeps over the clip: standard deviation
# about each axis [deg]; common practice, no source.
_SLIPS_DEG = 0.3
_SHORT = {"left": "L", "right": "R", "both": "both"}


@dataclass(frozen=True, eq=False)
class Plan:
    """Everything that fixes a clip: who, what, where, and when; lowest_m: where the feet end along the mat;
    slips_deg (2, 3): turn of the pelvis card on the cloth, at far ends and by the end of the clip."""

    name: str
    movement: Movement
    reps: list[Rep]
    frame: Floats
    origin: Floats
    camera: Camera
    view: str
    duration_s: float
    lowest_m: float
    card: bool
    rng: np.random.Generator
    conditions: Conditions
    slips_deg: Floats

    def posed(self, t: float) -> Posed:
        """The client at time t [s]."""
        return pose(self.movement.body, self.movement.posture(self.reps, t))

    @cached_property
    def fixed(self) -> tuple[Floats, Floats]:
        """Place and axes (3, 3) of the pelvis card on the pelvis: on the side that faces the phone as the client
        lies still, or on its front."""
        still = self.posed(0.0)
        front, cranial, right = np.eye(3)
        to_phone = (self.frame @ still.rotations["pelvis"]).T @ (
            self.camera.at - self.world(still.positions["pelvis"])
        )
        if abs(to_phone[0]) > abs(to_phone[2]) * 1.2:
            ridge = right if self.movement.lies == "side_lying" else cranial
            outward, off, above_hips = np.sign(to_phone[0]) * front, 0.17, 0.08
        else:
            ridge, outward, off, above_hips = front, np.sign(to_phone[2]) * right, 0.21, 0.05
        return off * outward + above_hips * cranial, np.column_stack(
            [np.cross(ridge, outward), ridge, outward]
        )

    def slipped(self, t: float) -> Floats:
        """Turn (3, 3) of the pelvis card on the cloth at time t [s], pelvis axes."""
        rep = next((r for r in self.reps if r.start <= t < r.end), None)
        shares = np.array([rep.progress(t) if rep else 0.0, t / self.duration_s])
        return Rotation.from_rotvec(shares @ self.slips_deg, degrees=True).as_matrix()

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
    if card:
        movement.clear_card()
    conditions = conditions or Conditions()
    reps = timeline(movement, rng, fault_share)
    frame = MAT_FRAMES[frame_key(movement)]
    origin = np.array([0.0, rng.uniform(-0.1, 0.1), _resting_height(movement, frame)])
    view = view or str(rng.choice(movement.views))
    turns = [r.start + r.out_s for r in reps] or [5.0, 10.0, 15.0, 20.0]
    shape = [pose(body, movement.posture(reps, t)) for t in (0.0, *turns)]
    skins = [body.skin(p.rotations, p.positions)[::37] for p in shape]
    points = np.vstack(skins) @ frame.T + origin
    lowest_m = float(points[:, 1].min())
    if card:  # the phone must see the mat card, too
        points = np.vstack([points, *(_below_feet(lowest_m, side) for side in (-1.0, 1.0))])
    phone = camera(view, frame, points, rng, conditions)
    end = (reps[-1].end if reps else 22.0) + rng.uniform(1.0, 2.0)
    slips_deg = rng.spawn(1)[0].normal(0, _SLIPS_DEG, (2, 3))
    return Plan(
        name, movement, reps, frame, origin, phone, view, float(end), lowest_m, card, rng, conditions, slips_deg
    )  # fmt: skip


def _cards(p: Plan, posed: Posed, t: float) -> Floats | None:
    """Both cards where the printed page says that they go, folded as it says; None in a clip without them."""
    if not p.card:
        return None
    return np.vstack([roof(*_on_pelvis(p, posed, t), PELVIS_CARD), roof(*_beside_mat(p), MAT_CARD)])


def _on_pelvis(p: Plan, posed: Posed, t: float) -> tuple[Floats, Floats]:
    """Place and axes (3, 3) of the pelvis card in the world."""
    place, axes = p.fixed
    pelvis = p.frame @ posed.rotations["pelvis"]
    return p.world(posed.positions["pelvis"]) + pelvis @ place, pelvis @ p.slipped(t) @ axes


def _beside_mat(p: Plan) -> tuple[Floats, Floats]:
    """Place and axes (3, 3) of the mat card: on end on the floor, at the long edge that faces the phone."""
    side = float(np.sign(p.camera.at[0]) or 1.0)
    up, outward = np.array([0.0, 0.0, 1.0]), np.array([side, 0.0, 0.0])
    return _below_feet(p.lowest_m, side), np.column_stack([np.cross(up, outward), up, outward])


def _below_feet(lowest_m: float, side: float) -> Floats:
    """Where the mat card stands, next to the mat's edge on the side of +x or -x."""
    return np.array([side * MAT_HALF_M, lowest_m - 0.12, FLOOR_M + LENGTH_CM / 200])


def frames(p: Plan, times: Floats) -> Iterator[tuple[Picture, Posed]]:
    """Pictures (H, W, 3) uint8 with the posed body, one a time [s]."""
    body = p.movement.body
    studio = Studio(
        body, look(p.rng, p.conditions), p.camera, room(p.rng, p.camera), sheet() if p.card else None
    )
    noise = np.random.default_rng(1)
    level = 2.5 if not p.conditions.low_light else 6.0
    grain = noise.normal(0, level, (4, p.camera.height, p.camera.width, 1)).astype(np.float32)
    for i, t in enumerate(times):
        posed = p.posed(float(t))
        skin, cards = body.skin(posed.rotations, posed.positions), _cards(p, posed, float(t))
        picture = studio.draw(p.world(skin), cards)
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
