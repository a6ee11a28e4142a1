"""Pose of a card from one picture: a first pose from tag corners, then the printed pattern itself.

Corners alone scatter by tenths of a pixel; matching the whole pattern (Lucas & Kanade 1981, IJCAI: 674,
with pose as the warp) uses every printed edge, bears blur and compression, and tells how sure it is.

Camera axes: x right, y down, z away [cm]; a pinhole with square pixels and its centre in the middle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.card.design import CELLS, FACE_CM, SLOPE_DEG, TAG_CM, Floats, tag_corners_cm
from analysis.card.pattern import QUARTERS, SAMPLES, pattern, samples, unit_length

Grey = NDArray[np.uint8]

FLAT_DEG: Final = 0.0
_STEPS: Final = 10
_MATCH_PX: Final = 0.04  # converged when a step moves the pattern less; the next would move it 5 times less
_STEP_SHARE: Final = 0.85  # of a full step: the blurred slope is too gentle, so a full one overshoots
_NEAREST_CM: Final = 20.0
_LEAST_FACING: Final = 0.25  # cosine; beyond 75 deg a tag is too narrow to match
_LEAST_LIKENESS: Final = (
    0.6  # correlation of a quarter with its pattern, below which it is covered or not there
)
# Half covered, a quarter still looks a little like its pattern, and pulls the pose aside.
_MOST_MISFIT: Final = 3.0  # times the usual misfit (1 - likeness) of the quarters
_SMALL_MISFIT: Final = 0.04
_FEWEST: Final = 3  # quarters that match; fewer are chance
_SMOOTHING_PX: Final = 0.8  # of the picture before matching
_SPREAD_PX: Final = 1.1  # lens, pixel, compression and the smoothing above together
# Neighbouring samples share pixels, and paper is never quite flat: the plain least-squares
# variance of the pose is too small by this factor (tests/test_card.py measures it).
_VARIANCE_FACTOR: Final = 2.0
_LEAST_SD_DEG: Final = 0.1  # paper bends and lenses distort a little, whatever the picture says


@dataclass(frozen=True, eq=False)
class CardPose:
    """Where a card is: rotation (3, 3) from the card's to the camera's axes, place (3,) [cm].

    covariance_deg2 (3, 3): of small turns about the camera's axes; tags: how many match the
    picture, in quarters; likeness: their correlation with it, summed; missing: how many face the camera
    and do not match; slope_deg: of the faces;
    plane (3,): outward normal of the one plane seen [card axes], None where two planes fix the pose.
    """

    rotation: Floats
    place_cm: Floats
    covariance_deg2: Floats
    tags: float = 0.0
    likeness: float = 0.0
    missing: float = 0.0
    slope_deg: float = SLOPE_DEG
    plane: Floats | None = None


@dataclass(frozen=True)
class Lens:
    """A pinhole: focal length and centre [px]."""

    focal: float
    x: float
    y: float

    @property
    def matrix(self) -> Floats:
        """(3, 3)."""
        return np.array([[self.focal, 0, self.x], [0, self.focal, self.y], [0, 0, 1.0]])

    def project(self, points: Floats) -> Floats:
        """Camera points (N, 3) to pixels (N, 2)."""
        return np.asarray(points[:, :2] / points[:, 2:] * self.focal + np.array([self.x, self.y]))


@dataclass(frozen=True, eq=False)
class _Target:
    """The n quarters that face the camera: which (n,), points (n, N, 3) [cm], pattern (n, N)."""

    places: NDArray[np.intp]
    points: Floats
    pattern: Floats


@dataclass(frozen=True, eq=False)
class _View:
    """The pattern under one pose: normal equations of the next step (6, 6), (6,); likeness (n,)."""

    normal: Floats
    slope: Floats
    likeness: Floats

    @property
    def fit(self) -> float:
        """Likeness summed: what a step must raise."""
        return float(np.maximum(self.likeness, 0.0).sum())

    def step(self, damping: float) -> Floats:
        """Small turn [rad] and move [cm] towards a better match (Levenberg-Marquardt), (6,)."""
        damped = self.normal + damping * np.diag(np.diag(self.normal))
        return np.asarray(np.linalg.lstsq(damped, self.slope, rcond=None)[0], float)


class Matcher:
    """Matches the pattern of one card in one picture."""

    def __init__(self, picture: Grey, lens: Lens, tags: tuple[int, ...]) -> None:
        """picture (H, W) grey; `lens` in its pixels; `tags` of the card, in the order of its design."""
        smooth = cv2.GaussianBlur(picture, (0, 0), _SMOOTHING_PX).astype(np.float32)
        # Central differences of neighbours one pixel away: brightness a pixel.
        sideways, down = (cv2.Sobel(smooth, cv2.CV_32F, *d, ksize=1, scale=0.5) for d in ((1, 0), (0, 1)))
        self._layers = cv2.merge((smooth, sideways, down))
        self._lens, self._tags = lens, tags

    def refine(self, start: CardPose) -> CardPose | None:
        """The pose near `start` under which the picture shows the pattern best; None if it does not."""
        target = self._target(start)
        if target is None:
            return None
        pose, view, damping = start, self._look(start, target), 1e-3
        for _ in range(_STEPS):
            step = _STEP_SHARE * view.step(damping)
            moved = _moved(pose, step)
            if moved.place_cm[2] < _NEAREST_CM:
                return None
            after = self._look(moved, target)
            if after.fit < view.fit:
                damping *= 30
                continue
            pose, view, damping = moved, after, damping / 3
            if self._shift_px(pose, step) < _MATCH_PX:
                break
        return self._result(pose, view, target.places)

    def _target(self, pose: CardPose) -> _Target | None:
        """What to look for under a pose; None where no tag faces the camera."""
        points, normals = samples(pose.slope_deg)
        rays = points.mean(axis=1) @ pose.rotation.T + pose.place_cm
        facing = -((normals @ pose.rotation.T) * rays).sum(axis=1) / np.linalg.norm(rays, axis=1)
        places = np.flatnonzero(facing > _LEAST_FACING)
        if not places.size:
            return None
        blur = round(10 * _SPREAD_PX * pose.place_cm[2] / self._lens.focal / (TAG_CM / CELLS))
        wanted = np.concatenate([pattern(tag, blur) for tag in self._tags])
        return _Target(places, points[places], wanted[places])

    def _look(self, pose: CardPose, target: _Target) -> _View:
        """The picture against the pattern under a pose."""
        arm = target.points.reshape(-1, 3) @ pose.rotation.T
        value, pull = self._read(arm + pose.place_cm)
        have, jacobian = _normalised(value.reshape(target.pattern.shape), _by_pose(arm, pull))
        likeness = (have * target.pattern).sum(axis=1)
        # What is covered must not pull the pose.
        kept = _matching(likeness).astype(float)[:, None, None]
        rows = (kept * jacobian).reshape(-1, 6)
        return _View(rows.T @ rows, rows.T @ (target.pattern - have).ravel(), likeness)

    def _read(self, at: Floats) -> tuple[Floats, Floats]:
        """Brightness (N,) of camera points (N, 3), and its change as the point moves (N, 3) [1/cm]."""
        px = self._lens.project(at).astype(np.float32)
        got = cv2.remap(self._layers, px[:, :1], px[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        value, across, down = got[:, 0].T.astype(float)
        per_cm = self._lens.focal / at[:, 2]
        pull = np.empty_like(at)
        pull[:, 0], pull[:, 1] = across * per_cm, down * per_cm
        pull[:, 2] = -(pull[:, 0] * at[:, 0] + pull[:, 1] * at[:, 1]) / at[:, 2]
        return value, pull

    def _shift_px(self, pose: CardPose, step: Floats) -> float:
        """How far a step moves the pattern, at most [px]."""
        scale = self._lens.focal / pose.place_cm[2]
        return float(scale * (np.abs(step[:3]).sum() * FACE_CM + np.abs(step[3:5]).sum()))

    def _result(self, pose: CardPose, view: _View, places: NDArray[np.intp]) -> CardPose | None:
        matched = _matching(view.likeness)
        if matched.sum() < _FEWEST:
            return None
        like = view.likeness[matched]
        normals = samples(pose.slope_deg)[1][places[matched]]
        spare = like.size * SAMPLES**2 / QUARTERS - 6
        variance = _VARIANCE_FACTOR * 2 * float((1 - like).sum()) / spare
        covariance = np.linalg.pinv(view.normal)[:3, :3] * variance * np.degrees(1.0) ** 2
        covariance += _LEAST_SD_DEG**2 * np.eye(3)
        plane = normals[0] if np.ptp(normals, axis=0).max() < 1e-9 else None
        return replace(
            pose,
            covariance_deg2=covariance,
            tags=like.size / QUARTERS,
            likeness=float(like.sum()) / QUARTERS,
            missing=(matched.size - like.size) / QUARTERS,
            plane=plane,
        )


def _matching(likeness: Floats) -> NDArray[np.bool_]:
    """Which quarters show the pattern about as well as most of those that do at all."""
    at_all = likeness > _LEAST_LIKENESS
    if not at_all.any():
        return np.asarray(likeness > _LEAST_LIKENESS / 2)  # still far from the pose
    usual = float(np.median(1 - likeness[at_all]))
    return np.asarray(at_all & (1 - likeness < _MOST_MISFIT * usual + _SMALL_MISFIT))


def _by_pose(arm: Floats, pull: Floats) -> Floats:
    """Change of brightness by a turn about the card's origin and a move of it, (N, 6)."""
    (ax, ay, az), (px, py, pz) = arm.T, pull.T
    return np.column_stack([ay * pz - az * py, az * px - ax * pz, ax * py - ay * px, px, py, pz])


def _normalised(value: Floats, jacobian: Floats) -> tuple[Floats, Floats]:
    """Brightness a tag (n, N) as `unit_length`, and its Jacobian (n, N, 6): light and contrast drop out."""
    jacobian = jacobian.reshape(*value.shape, 6)
    have = unit_length(value)
    length = np.maximum(np.linalg.norm(value - value.mean(axis=1, keepdims=True), axis=1), 1e-9)
    jacobian = (jacobian - jacobian.mean(axis=1, keepdims=True)) / length[:, None, None]
    along = np.matmul(have[:, None, :], jacobian)
    return have, jacobian - have[:, :, None] * along


def _moved(pose: CardPose, step: Floats) -> CardPose:
    turn, _ = cv2.Rodrigues(step[:3])
    return replace(pose, rotation=turn @ pose.rotation, place_cm=pose.place_cm + step[3:])


def mirrored(pose: CardPose) -> CardPose:
    """The other pose under which the one plane seen looks almost the same: mirrored along the line of sight.

    Exact for a distant camera (Collins & Bartoli 2014, IJCV 109:252). The pose must have a `plane`.
    """
    assert pose.plane is not None
    sight = pose.place_cm / np.linalg.norm(pose.place_cm)
    before, behind = (np.eye(3) - 2 * np.outer(n, n) for n in (sight, pose.plane))
    return replace(pose, rotation=before @ pose.rotation @ behind)


def poses_from_corners(corners: dict[int, Floats], lens: Lens, slope_deg: float) -> list[CardPose]:
    """Candidate poses from the corners (4, 2) [px] of the tags seen, by place in the card's design.

    One face alone always has two poses that fit nearly as well (Collins & Bartoli 2014, IJCV 109:252);
    both are returned for every face seen.
    """
    out = []
    card = tag_corners_cm(slope_deg)
    for face in (0, 1):
        places = [i for i in sorted(corners) if i % 2 == face]
        if places:
            model = np.concatenate([card[i] for i in places])
            px = np.concatenate([corners[i] for i in places])
            _, turns, moves, _ = cv2.solvePnPGeneric(model, px, lens.matrix, None, flags=cv2.SOLVEPNP_IPPE)
            for turn, move in zip(turns, moves, strict=True):
                rotation, place = np.asarray(cv2.Rodrigues(turn)[0], float), np.asarray(move, float).ravel()
                out.append(CardPose(rotation, place, np.full((3, 3), np.nan), slope_deg=slope_deg))
    return out
