"""Motion of the pelvis from the printed card on it."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from analysis import filters
from analysis.pelvis.motion import Seen
from analysis.records import Floats, Observations, Skeleton
from analysis.skeleton import pelvis_angles
from analysis.skeleton.camera import apart_deg, mat_in_camera
from analysis.skeleton.features import start_frames

LEAST_SEEN: Final = 0.5  # of the frames; a card seen more rarely is not used
_CUTOFF_HZ: Final = 5.0
_LONGEST_GAP_S: Final = 0.5
_NUDGED: Final = 0.004  # of the picture's height: a camera that moved more is taken out by the mat card
_JUMP_DEG: Final = 4.0  # from its neighbours: no slow movement does that, a misread card does
# A half-hidden card can look like one folded the other way, for seconds: what is farther from the last good
# reading than a pelvis turns in the time between is not believed.
_FREE_DEG, _TURN_DEG_PER_S, _MOST_BETWEEN_DEG = 10.0, 60.0, 30.0
# A half-hidden card that is less sure says nothing: in 64 rendered clips, readings that say 0.8 to 1.2 deg
# err by 1.3 (root mean square), those that say 1.6 to 4 by 4 to 13.
_MOST_SD_DEG: Final = 1.5
_SURE_Z: Final = 1.96
_SQUARED_DEG: Final = 1.0  # axes so near to the mat card's were taken from it
# The axes of the mat are known to some degrees; that share of a turn about one axis shows in the others. By
# the body, 0.08 to 0.33 of the tilt of seven rendered bridges showed as a hike; 0.2 held in 96 % of pictures.
# A mat card is misjudged most about the vertical, which shows a tilt as a rotation: in twenty other bridges
# 0.045 held for the rotation in 90 %, for the hike in 99 %.
_AXES_OFF: Final = {"mat card": np.array([0.045, 0.03, 0.06]), "body": np.full(3, 0.2)}
# A taped card follows the pelvis no better than this: in 90 rendered clips, whose cards slip on the cloth by
# an amount without a source, 0.5 held in 96 % of pictures.
_ON_CLOTH_DEG: Final = 0.5
# A card is worn square to the body. In 220 rendered clips its axes lie within 9 deg of the mat's; those of
# three that were read mirrored or covered, at 28 to 60.
_ASKEW_DEG: Final = 25.0


def from_card(observations: Observations, camera: Floats) -> Seen | None:
    """What the card says, seen by a `camera` (3, 3) as `mat_in_camera`; None where the still start or most of
    the clip does not show it.
    """
    cards = _against_mat(observations)
    seen = _whole(cards)
    start = np.asarray(start_frames(observations.time_s) & seen & (_sd_deg(observations) < _MOST_SD_DEG))
    if not start.any() or seen.mean() < LEAST_SEEN:
        return None
    turns = _turns(cards, seen, start)
    kept = _without_jumps(turns) & (_sd_deg(observations) < _MOST_SD_DEG)
    kept = _reachable(turns, observations.time_s, kept)
    in_mat = np.einsum("ji,tjk,kl->til", camera, turns, camera)
    angles = pelvis_angles(np.where(kept[:, None, None], in_mat, np.nan))
    angles = filters.smooth(observations.time_s, angles, _CUTOFF_HZ, _LONGEST_GAP_S)
    angles = angles - np.nanmedian(angles[start], axis=0)
    widths = _half_widths(observations, camera, angles, start)
    return Seen(angles, widths, widths)


def without_misread(observations: Observations, body: Skeleton) -> Observations:
    """The observations without a pelvis card that would lie askew on the body: it was misread."""
    camera = mat_in_camera(observations, body)
    cards = observations.card_rotation
    start = start_frames(observations.time_s) & _whole(cards)
    if camera is None or not apart_deg(cards[start], camera) > _ASKEW_DEG:  # NaN: no card to judge
        return observations
    return replace(observations, card_rotation=np.full_like(cards, np.nan))


def _against_mat(observations: Observations) -> Floats:
    """Pelvis card (T, 3, 3) to the axes of a camera that stayed where it was at the start.

    A camera that never moved needs no mat card, whose own noise is then left out.
    """
    mats = observations.mat_rotation
    seen = _whole(mats)
    shift = observations.camera_shift[np.isfinite(observations.camera_shift)]
    if not seen.any() or shift.size == 0 or np.quantile(shift, 0.95) < _NUDGED:
        return observations.card_rotation
    first = mats[np.flatnonzero(seen)[0]]
    return np.asarray(np.einsum("ij,tkj,tkl->til", first, mats, observations.card_rotation))


def _turns(cards: Floats, seen: NDArray[np.bool_], start: NDArray[np.bool_]) -> Floats:
    """Turn (T, 3, 3) since the still start, camera axes."""
    neutral = Rotation.from_matrix(cards[start]).mean()
    turns = np.full_like(cards, np.nan)
    turns[seen] = (Rotation.from_matrix(cards[seen]) * neutral.inv()).as_matrix()
    return turns


def _without_jumps(turns: Floats) -> NDArray[np.bool_]:
    """Which frames are near the middle of their five neighbours."""
    vectors = np.full((len(turns), 3), np.nan)
    seen = _whole(turns)
    vectors[seen] = np.degrees(Rotation.from_matrix(turns[seen]).as_rotvec())
    padded = np.pad(vectors, ((2, 2), (0, 0)), mode="edge")
    around = np.stack([padded[i : i + len(vectors)] for i in range(5)])
    off = np.linalg.norm(vectors[seen] - np.nanmedian(around[:, seen], axis=0), axis=1)
    near = np.zeros(len(turns), bool)
    near[seen] = off < _JUMP_DEG
    return near


def _reachable(turns: Floats, time_s: Floats, kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Those of the kept frames (T,) to which the pelvis can have turned since the last of them."""
    out, last, seen_s = np.zeros(len(turns), bool), np.eye(3), time_s[0]
    for k in np.flatnonzero(kept):
        cosine = np.clip((np.sum(turns[k] * last) - 1) / 2, -1, 1)  # of the turn between the two
        most = min(_FREE_DEG + _TURN_DEG_PER_S * (time_s[k] - seen_s), _MOST_BETWEEN_DEG)
        if np.degrees(np.arccos(cosine)) <= most:
            out[k], last, seen_s = True, turns[k], time_s[k]
    return out


def _sd_deg(observations: Observations) -> Floats:
    """Largest standard deviation of a reading about any axis (T,) [deg]; NaN where there is none."""
    return np.asarray(np.sqrt(np.trace(observations.card_covariance, axis1=1, axis2=2)))


def _half_widths(
    observations: Observations, camera: Floats, angles: Floats, start: NDArray[np.bool_]
) -> Floats:
    """95 % half-widths (3,) of tilt, obliquity, rotation: of the reading, the axes, and the fixing."""
    inside = np.einsum("ji,tjk,kl->til", camera, observations.card_covariance, camera)
    about = np.diagonal(inside, axis1=1, axis2=2)[:, [2, 0, 1]]  # tilt is about Z, obliquity X, rotation Y
    sure = _sd_deg(observations) < _MOST_SD_DEG
    variance = np.nanmean(about[sure], axis=0) + np.nanmean(about[start], axis=0) / start.sum()
    size = np.nanquantile(np.abs(angles), 0.9, axis=0)
    others = np.sqrt((size**2).sum() - size**2)
    squared = apart_deg(observations.mat_rotation, camera) < _SQUARED_DEG
    leaked = _AXES_OFF["mat card" if squared else "body"] * others
    return np.asarray(np.sqrt(_SURE_Z**2 * variance + leaked**2 + _ON_CLOTH_DEG**2))


def _whole(rotations: Floats) -> NDArray[np.bool_]:
    """Which frames (T,) have a rotation."""
    return np.asarray(np.isfinite(rotations).all(axis=(1, 2)))
