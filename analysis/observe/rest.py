"""Where the client lies in pictures that show what the still start shows: in the same place every time.

A pose model may take hold of a client wrongly when it first looks, and keep to that until something moves.
Later pictures of the same tell it, and show where the body was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_opening

from analysis.landmarks import ANKLES, HIPS, KNEES, SHOULDERS
from analysis.records import Floats, Observations

# Share of the client's longer side. In 179 of 180 rendered clips of people who only breathe the pictures show
# up to 0.0080 (one is not found again well enough to tell); in 636 of exercises, 52 of them pelvic tilts,
# some in the dark, 0.011 or more. So a tilt of a few degrees alone may be taken for none.
MOVES: Final = 0.0095
# By this share half of the landmarks are off in such pictures where the hold is wrong: of 1184 rendered
# clips 16 have a start that is off by more; all but 2 in 100 are off by up to 0.013.
_ELSEWHERE: Final = 0.04
# Something of the body always lies where it lay. With the right hold the third nearest of eight landmarks is
# off by up to 0.055 (98 in 100 of 151 rendered clips, filmed as told), with a wrong one by 0.14 or more.
_HELD: Final = 0.08
_STAYING: Final = 3
_STEADY: Final = 5  # pictures in a row: a single one may look held by chance
_START_S: Final = 0.8
_BODY: Final = [*SHOULDERS, *HIPS, *KNEES, *ANKLES]
_AGREE: Final = 3  # pictures that tell where the client lies
_ENOUGH: Final = 6  # pictures that tell how often the body is elsewhere


@dataclass(frozen=True, eq=False)
class _Rest:
    """rows (N,): pictures that show what the start shows, with the client found in them; off (T, 8): how far
    each landmark of the body is from where it usually is in these pictures, nearest first."""

    rows: NDArray[np.intp]
    off: Floats

    @property
    def elsewhere(self) -> NDArray[np.bool_]:
        """Whether half of the landmarks are off (T,); False where nobody is found."""
        return np.asarray(np.median(self.off, axis=1) >= _ELSEWHERE)

    @property
    def held(self) -> NDArray[np.bool_]:
        """Whether something of the body steadily lies where it lay (T,); False where nobody is found."""
        return np.asarray(binary_opening(self.off[:, _STAYING - 1] < _HELD, np.ones(_STEADY, bool)))


def start_found(seen: Observations) -> Observations:
    """The same, the body in a misread still start taken from later pictures that show the same.

    Later on it is missing wherever the pose model has no hold of it.
    """
    rest = _rest(seen)
    agreed = rest.rows[~rest.elsewhere[rest.rows]]
    if not _misread(rest, _at_start(seen)) or len(agreed) < max(_AGREE, len(rest.rows) // 2 + 1):
        return seen
    end = _start_end(seen)

    def mended(values: Floats) -> Floats:
        out = values.copy()
        out[~rest.held] = np.nan
        out[:end] = np.median(values[agreed], axis=0)
        return out

    return seen.with_poses(mended)


def strays(seen: Observations) -> float:
    """Share of the pictures after the start that show the same, in which the body is found elsewhere.

    NaN where there are too few.
    """
    rest = _rest(seen)
    later = rest.rows[~_at_start(seen)[rest.rows]]
    return float(rest.elsewhere[later].mean()) if len(later) >= _ENOUGH else np.nan


def _rest(seen: Observations) -> _Rest:
    body = seen.landmarks_px[:, _BODY]
    rows = np.flatnonzero(np.isfinite(body[:, 0, 0]) & (seen.client_moved < MOVES))
    if not len(rows):
        return _Rest(rows, np.full(body.shape[:2], np.nan))
    usual = np.median(body[rows], axis=0)
    longer = np.ptp(usual, axis=0).max()  # side of the client's box
    return _Rest(rows, np.sort(np.linalg.norm(body - usual, axis=2), axis=1) / longer)


def _misread(rest: _Rest, at_start: NDArray[np.bool_]) -> bool:
    """Whether the body is elsewhere in most pictures of the start in which it is found."""
    found = at_start & np.isfinite(rest.off[:, 0])
    return bool(found.any() and rest.elsewhere[found].mean() > 0.5)


def _at_start(seen: Observations) -> NDArray[np.bool_]:
    return np.asarray(seen.time_s - seen.time_s[0] <= _START_S)


def _start_end(seen: Observations) -> int:
    """Number of pictures up to the last of the start before anything moves; 0 where none shows it."""
    moving = np.flatnonzero(seen.client_moved >= MOVES)
    before = seen.client_moved[: moving[0]] if len(moving) else seen.client_moved
    return int(np.flatnonzero(before < MOVES).max(initial=-1)) + 1
