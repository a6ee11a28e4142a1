"""How far the knees of a client on the back roll to a side, from where they go in the picture.

The feet stay where they are. So a knee goes round the line from its hip to its ankle, and both knees go by
the same angle: one unknown for four coordinates in every picture. What the clip shows of their arcs also puts
right how the phone looks at the mat. Angles of the hips are drawn towards usual ones, differently to either
side.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from analysis.conventions import SIDES
from analysis.records import JOINTS, Floats, Observations, Skeleton
from analysis.repetitions.picture import calm_px, trunk_px
from analysis.skeleton.camera import View, view
from analysis.skeleton.features import start_frames

# Of the roll, the pelvis does about so much: its hips go up and down by a few centimetres.
PELVIS_SHARE: Final = 0.3
_GRID: Final = np.radians(np.arange(-80.0, 81.0))
_FRAMES: Final = 70  # to fit the arcs to
# Standard deviations: of the camera's axes, of the knees' distance from the line, of where the pose model
# puts a knee, throughout and in one picture [shares of the trunk's length]; common practice, no source.
_CAMERA_DEG, _RADIUS, _PLACE, _SHAKES = 4.0, 0.07, 0.05, 0.012
_AT_REST: Final = 3.0  # times as sure: there the roll is nil


@dataclass(frozen=True, eq=False)
class _Legs:
    """Both hips, knees and ankles at rest (2, 3) [cm], left first, mat frame."""

    hips: Floats
    knees: Floats
    ankles: Floats

    def rolled(self, roll: Floats, radius: float) -> Floats:
        """Knees (n, 2, 3) for rolls (n,) [rad, to the left] on circles of so many times their radius."""
        middle = self.hips.mean(axis=0)
        turns = Rotation.from_rotvec(np.outer(PELVIS_SHARE * roll, [0.0, 1.0, 0.0]))
        return np.stack([self._rolled(k, turns.apply(self.hips[k] - middle) + middle, roll, radius)
                         for k in range(len(SIDES))], axis=1)  # fmt: skip

    def _rolled(self, k: int, hips: Floats, roll: Floats, radius: float) -> Floats:
        ankle = self.ankles[k]
        still, line = _unit(self.hips[k] - ankle), _unit(hips - ankle)
        along = float((self.knees[k] - ankle) @ still)
        off = self.knees[k] - ankle - along * still
        up = _unit(off - (line @ off)[:, None] * line)
        left = np.cross(line, up)
        circle = np.cos(roll)[:, None] * up + np.sin(roll)[:, None] * left
        return np.asarray(ankle + along * still + radius * np.linalg.norm(off) * circle)


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


@dataclass(frozen=True, eq=False)
class _Arcs:
    """Where the knees may be in the picture: a fit (8,) turns the mat [rad] (3), lengthens the circles (1)
    and shifts both knees (4) [shares of the trunk's length, `trunk_px`]."""

    legs: _Legs
    view: View
    trunk_px: float

    def px(self, roll: Floats, fit: Floats) -> Floats:
        """Both knees (n, 2, 2) [px]."""
        knees, middle = self.legs.rolled(roll, 1 + fit[3]), self.legs.hips.mean(axis=0)
        turned = (knees - middle) @ Rotation.from_rotvec(fit[:3]).as_matrix().T + middle
        return self.view.px(turned) + self.trunk_px * fit[4:].reshape(2, 2)

    def rolls(self, seen: Floats, fit: Floats) -> Floats:
        """The rolls (n,) [rad] that show the knees nearest to where they were seen (n, 2, 2)."""
        apart = ((seen[:, None] - self.px(_GRID, fit)) ** 2).sum(axis=(2, 3))
        best = np.clip(apart.argmin(axis=1), 1, len(_GRID) - 2)
        before, at, after = (apart[np.arange(len(seen)), best + k] for k in (-1, 0, 1))
        between = (before - after) / 2 / np.maximum(before - 2 * at + after, 1e-9)
        return np.asarray(_GRID[best] + np.clip(between, -1, 1) * (_GRID[1] - _GRID[0]))

    def fitted(self, seen: Floats, rest: Floats) -> Floats:
        """The fit (8,) to knees seen (n, 2, 2) and at rest (2, 2)."""
        widths = np.array([*[np.radians(_CAMERA_DEG)] * 3, _RADIUS, *[_PLACE] * 4])
        shakes = _SHAKES * self.trunk_px

        def off(fit: Floats) -> Floats:
            moving = (seen - self.px(self.rolls(seen, fit), fit)) / shakes
            still = _AT_REST * (rest - self.px(np.zeros(1), fit)[0]) / shakes
            far = 4 * np.tanh(moving / 4)  # a knee that was lost counts no further
            return np.concatenate([far.ravel(), still.ravel(), fit / widths])

        start = np.zeros(len(widths))
        start[4:] = ((rest - self.px(np.zeros(1), start)[0]) / self.trunk_px).ravel()
        return np.asarray(least_squares(off, start, diff_step=np.full(8, 1e-3), max_nfev=40).x)


def knee_roll(observations: Observations, body: Skeleton) -> Floats:
    """Roll of both knees to the left, about the lines from hips to ankles (T,) [deg]; NaN where not known.

    For comparing the rolls of a clip: it is larger than what hips and pelvis turn.
    """
    t = observations.time_s
    knees = calm_px(observations, [f"knee_{side}" for side in SIDES], "both").reshape(len(t), len(SIDES), 2)
    seen = np.isfinite(knees).all(axis=(1, 2))
    start = start_frames(t) & seen
    legs, trunk = _legs_at_rest(body, start), trunk_px(observations)
    looks = view(observations, body)
    roll = np.full(len(t), np.nan)
    if legs is None or looks is None or trunk <= 0:
        return roll
    some = np.flatnonzero(seen)
    some = some[np.linspace(0, len(some) - 1, min(_FRAMES, len(some))).round().astype(int)]
    arcs = _Arcs(legs, looks, trunk)
    fit = arcs.fitted(knees[some], np.median(knees[start], axis=0))
    roll[seen] = np.degrees(arcs.rolls(knees[seen], fit))
    return roll


def _legs_at_rest(body: Skeleton, start: np.ndarray) -> _Legs | None:
    ends = [[JOINTS.index(f"{joint}_{side}") for side in SIDES] for joint in ("hip", "knee", "ankle")]
    joints = body.joints_cm[start][:, np.array(ends)]
    known = joints[np.isfinite(joints).all(axis=(1, 2, 3))]
    return _Legs(*np.median(known, axis=0)) if len(known) else None
