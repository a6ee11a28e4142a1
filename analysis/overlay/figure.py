"""The measured body over a picture: limbs by side, and a line through the pelvis."""

from typing import Final

import cv2
import numpy as np

from analysis.conventions import PELVIC_TILT, Side
from analysis.palette import rgb
from analysis.records import Floats, Observations, Report
from analysis.video import Image

# Landmark numbers of the pose model.
SHOULDERS, HIPS, KNEES = (11, 12), (23, 24), (25, 26)
TRUNK: Final = ((11, 12), (23, 24), (11, 23), (12, 24))
LIMBS: Final[dict[Side, tuple[tuple[int, int], ...]]] = {
    "left": ((11, 13), (13, 15), (23, 25), (25, 27), (27, 31)),
    "right": ((12, 14), (14, 16), (24, 26), (26, 28), (28, 32)),
}
LONGEST_GAP_S: Final = 0.5  # over a longer gap nothing is drawn: nothing was seen
START_S: Final = 1.0


class Figure:
    """Draws the body of one clip at any time; left joints are discs, right ones squares."""

    def __init__(self, observations: Observations, report: Report) -> None:
        self._seen = observations
        self._flat = observations.landmarks_px.reshape(len(observations.time_s), -1)  # (T, 66)
        self._tilt = _tilt_in_picture(observations, report)

    def draw(self, image: Image, time_s: float) -> None:
        """Draw the body at `time_s` into a picture of the clip, in place; nothing where none was seen."""
        points = self._points(time_s) * (image.shape[0] / self._seen.height)
        width = max(2, round(min(image.shape[:2]) / 240))
        for a, b in TRUNK:
            _line(image, points[a], points[b], "sheet", width)
        for side, bones in LIMBS.items():
            for a, b in bones:
                _line(image, points[a], points[b], side, width)
            for joint in sorted({j for bone in bones for j in bone}):
                _joint(image, points[joint], side, 2 * width)
        self._pelvis(image, points, time_s, width)

    def _points(self, time_s: float) -> Floats:
        """Landmarks at a time (33, 2): between the samples beside it, missing where one is missing or far."""
        times = self._seen.time_s
        after = int(np.clip(np.searchsorted(times, time_s), 1, len(times) - 1))
        before = after - 1
        span = times[after] - times[before]
        if span > LONGEST_GAP_S or not times[before] - span <= time_s <= times[after] + span:
            return np.full((33, 2), np.nan)
        share = float(np.clip((time_s - times[before]) / span, 0, 1))
        points: Floats = (1 - share) * self._flat[before] + share * self._flat[after]
        return points.reshape(33, 2)

    def _pelvis(self, image: Image, points: Floats, time_s: float, width: int) -> None:
        """From the side: the pelvis' own line, turned by the measured tilt, on a dashed one at the start's.

        Otherwise the line through both hips, drawn longer.
        """
        left, right = points[HIPS[0]], points[HIPS[1]]
        if self._tilt is None:
            reach = 0.6 * (right - left)
            _line(image, left - reach, right + reach, "pelvis", width)
            return
        middle, length = (left + right) / 2, 0.12 * min(image.shape[:2])
        start, tilt = self._tilt[0], np.interp(time_s, self._seen.time_s, self._tilt[1])
        for angle, dashed in ((start, True), (start + tilt, False)):
            reach = length * np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
            _line(image, middle - reach, middle + reach, "pelvis", width, dashed=dashed)


def _tilt_in_picture(seen: Observations, report: Report) -> tuple[float, Floats] | None:
    """From the side: direction of the trunk at the start [deg, picture axes] and its turn by tilt (T,).

    None from any other view, or when tilt was not measured. Anterior tilt turns the top of the pelvis
    towards the front of the body, which is where the knees lie from the hips.
    """
    tilt = report.series.get(PELVIC_TILT)
    early = seen.landmarks_px[seen.time_s <= seen.time_s[0] + START_S]
    if report.capture.view != "side" or tilt is None or not np.isfinite(early[:, HIPS]).any():
        return None
    hips, shoulders, knees = (np.nanmean(early[:, pair], axis=(0, 1)) for pair in (HIPS, SHOULDERS, KNEES))
    up, front = shoulders - hips, knees - hips
    towards_front = np.sign(up[0] * front[1] - up[1] * front[0])
    known = np.array(
        [(t, v) for t, v in zip(report.series["time_s"], tilt, strict=True) if v is not None], float
    )
    turn = towards_front * np.interp(seen.time_s, known[:, 0], known[:, 1])
    return float(np.degrees(np.arctan2(up[1], up[0]))), turn


def _line(image: Image, a: Floats, b: Floats, role: str, width: int, *, dashed: bool = False) -> None:
    """A line with a dark rim, so that it shows on any ground; nothing where an end is missing."""
    if not np.isfinite([a, b]).all():
        return
    parts = 7 if dashed else 1  # odd: dashes at both ends
    cuts = np.linspace(a, b, parts + 1)
    for colour, extra in ((rgb("paper", dark=True), 2), (rgb(role, dark=role != "sheet"), 0)):
        for start, end in zip(cuts[::2], cuts[1::2], strict=True):
            cv2.line(image, _pixel(start), _pixel(end), colour, width + extra, cv2.LINE_AA)


def _joint(image: Image, at: Floats, side: Side, radius: int) -> None:
    if not np.isfinite(at).all():
        return
    x, y = _pixel(at)
    if side == "left":
        cv2.circle(image, (x, y), radius, rgb(side, dark=True), cv2.FILLED, cv2.LINE_AA)
    else:
        corner = (x - radius, y - radius), (x + radius, y + radius)
        cv2.rectangle(image, *corner, rgb(side, dark=True), cv2.FILLED)


def _pixel(point: Floats) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))
