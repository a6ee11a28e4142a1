"""Random people, clothes, rooms, light and phones, drawn from one seeded generator."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sample_clips.rendering.body import Floats
from sample_clips.rendering.movement import Movement
from sample_clips.rendering.scene import BOTTOM, FLOOR, HAIR, MAT, SKIN, TOP, WALL, Camera, Look

_SKINS = np.array(
    [[0.94, 0.78, 0.68], [0.86, 0.67, 0.53], [0.72, 0.52, 0.38], [0.5, 0.34, 0.24], [0.33, 0.22, 0.16]]
)
_HAIRS = np.array(
    [[0.08, 0.06, 0.05], [0.25, 0.16, 0.09], [0.55, 0.4, 0.2], [0.6, 0.6, 0.6], [0.4, 0.15, 0.08]]
)


@dataclass(frozen=True)
class Conditions:
    """What makes a clip harder; the defaults are a good home clip."""

    clothes: str = "any"  # any | plain | dark | patterned
    low_light: bool = False
    mat_like_clothes: bool = False
    roll_deg: float = 2.0
    size: tuple[int, int] = (1280, 720)


def phenotype(rng: np.random.Generator) -> dict[str, float]:
    """An adult's body shape."""
    return {
        "gender": float(rng.uniform(0, 1)), "age": float(rng.uniform(0.5, 0.9)), "muscle": float(rng.uniform(0.3, 0.8)),
        "weight": float(rng.uniform(0.3, 0.75)), "height": float(rng.uniform(0.25, 0.8)), "proportions": float(rng.uniform(0.3, 0.9)),
    }  # fmt: skip


def look(rng: np.random.Generator, conditions: Conditions) -> Look:
    """Colours, cloth patterns and light."""
    colours = rng.uniform(0.1, 0.9, (12, 3))
    patterns = np.zeros((12, 4))
    colours[SKIN], colours[HAIR] = _SKINS[rng.integers(5)] * rng.uniform(0.9, 1.05), _HAIRS[rng.integers(5)]
    colours[FLOOR] = rng.uniform(0.35, 0.7) * np.array([1.0, rng.uniform(0.8, 1), rng.uniform(0.6, 1)])
    colours[WALL] = rng.uniform(0.55, 0.92) * np.array([1.0, rng.uniform(0.92, 1), rng.uniform(0.85, 1)])
    patterns[FLOOR] = [rng.choice([0, 1, 2]), rng.uniform(2, 12), rng.uniform(0.02, 0.15), 0]
    patterns[MAT] = [rng.choice([0, 1]), rng.uniform(20, 60), rng.uniform(0, 0.06), 0]
    for cloth in (TOP, BOTTOM):
        kind = {"plain": 0, "dark": 1}.get(
            conditions.clothes,
            rng.choice([1, 2, 3] if conditions.clothes == "patterned" else [0, 1, 1, 2, 3]),
        )
        patterns[cloth] = [kind, rng.uniform(12, 45), rng.uniform(0.08, 0.35), 0]
        if conditions.clothes == "dark":
            colours[cloth], patterns[cloth, 2] = rng.uniform(0.03, 0.14), 0.03
    if conditions.mat_like_clothes:
        colours[MAT] = colours[BOTTOM] * rng.uniform(0.92, 1.08)
    light = np.array([*rng.uniform(-0.7, 0.7, 2), rng.uniform(0.6, 1.0)])
    gain = rng.uniform(0.16, 0.3) if conditions.low_light else rng.uniform(0.85, 1.2)
    return Look(
        colours,
        patterns,
        light,
        float(rng.uniform(0.35, 0.7)),
        float(gain),
        bool(rng.random() < 0.7),
        bool(rng.random() < 0.25),
    )


def _bearing(view: str, frame: Floats, rng: np.random.Generator) -> tuple[float, float]:
    """Azimuth of the phone as seen from the client (0 = world +x) and its elevation [deg]."""
    lateral = float(rng.choice([0.0, 180.0]))
    if view == "side":
        return lateral + rng.uniform(-16, 16), rng.uniform(4, 24)
    if view == "oblique":  # from the feet, to one side
        return -90 + float(rng.choice([-1, 1])) * rng.uniform(25, 62), rng.uniform(18, 42)
    if view == "front":
        return float(np.degrees(np.arctan2(frame[1, 0], frame[0, 0]))) + rng.uniform(-16, 16), rng.uniform(
            6, 30
        )
    return float(rng.uniform(0, 360)), rng.uniform(66, 84)  # overhead


def camera(
    view: str, frame: Floats, points: Floats, rng: np.random.Generator, conditions: Conditions
) -> Camera:
    """A phone that has all the points (N, 3) in its picture."""
    width, height = conditions.size
    azimuth, elevation = (np.radians(a) for a in _bearing(view, frame, rng))
    towards = np.array(
        [np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)]
    )
    centre = (points.min(0) + points.max(0)) / 2
    target = centre + rng.normal(0, 0.05, 3)
    phone = Camera(
        centre,
        target,
        float(rng.uniform(-1, 1) * conditions.roll_deg),
        width,
        height,
        max(width, height) * float(rng.uniform(0.72, 1.0)),
    )
    room = np.array([width, height])
    for distance in np.arange(1.4, 8, 0.1):
        phone = replace(phone, at=target + towards * distance)
        px = phone.project(points)
        if ((px > 0.03 * room) & (px < 0.97 * room)).all():
            break
    return replace(phone, at=target + towards * distance * rng.uniform(1.0, 1.25))


def frame_key(movement: Movement) -> tuple[str, str]:
    """Key of MAT_FRAMES for the way the client lies."""
    return movement.lies, getattr(movement, "top", "") if movement.lies == "side_lying" else ""
