"""A report's curves, and the landmarks where there are any, as a C3D file for motion software."""

import errno
import os
from pathlib import Path
from typing import Any

import numpy as np

from analysis.errors import ReportError
from analysis.files import whole
from analysis.filters import at_times, sample_rate_hz
from analysis.records import JOINTS, Floats, Report, Skeleton

_BYTES_OF_A_SAMPLE = 16  # of a point: x, y, z and residual as 4-byte floats
LONGEST_GAP_SAMPLES = 1.5  # a single missing sample is a gap; only uneven timing is bridged


def write_c3d(report: Report, path: Path | str, skeleton: Skeleton | None = None) -> None:
    """Write points at an even rate: joints [mm] from `skeleton`, and each angle [deg] as the x of a point.

    C3D knows no times of its own, so the curves are resampled to their usual rate. Angles are listed in
    POINT:ANGLES. A missing sample has residual -1, the format's own sign for it. Repetitions are events:
    start, turn and end. Joints are in the mat frame, pelvis at the origin. Raises ReportError where the
    C3D library is missing, there is nothing to write, or the place cannot be written.
    """
    library = c3d_library()
    time_s = _array(report.series.get("time_s", ()))
    rate_hz = sample_rate_hz(time_s)
    if not np.isfinite(rate_hz):
        raise ReportError("This report holds no curves, so there is nothing to write as C3D.")
    grid_s = time_s[0] + np.arange(int((time_s[-1] - time_s[0]) * rate_hz + 1e-6) + 1) / rate_hz
    angles = {name: _array(values) for name, values in report.series.items() if name != "time_s"}
    labels, points = list(angles), [_even(grid_s, time_s, values) for values in angles.values()]
    if skeleton is not None:
        labels = [*JOINTS, *labels]
        points = [*(_even(grid_s, skeleton.time_s, xyz) for xyz in _joints_mm(skeleton)), *points]
    file = library.c3d()
    _fill(file, labels, np.stack(points, axis=1), rate_hz)
    _describe(file, list(angles), report)
    with whole(path) as part:
        file.write(str(part))
        if part.stat().st_size < _BYTES_OF_A_SAMPLE * len(labels) * len(grid_s):  # it does not say so itself
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def c3d_library() -> Any:
    """The library that writes C3D; raises ReportError where it is missing."""
    try:
        import ezc3d
    except ImportError as error:
        raise ReportError('C3D needs one more library: pip install "matline[c3d]".') from error
    return ezc3d


def _joints_mm(skeleton: Skeleton) -> Floats:
    """Joints as (17, T, 3) [mm]."""
    return np.moveaxis(skeleton.joints_cm, 1, 0) * 10


def _even(grid_s: Floats, time_s: Floats, values: Floats) -> Floats:
    """A signal (T,), or one of three axes (T, 3), on an even time base, as (3, N); a lone signal is x."""
    gap_s = LONGEST_GAP_SAMPLES * (grid_s[1] - grid_s[0])
    columns = np.atleast_2d(values.T)
    out = np.zeros((3, len(grid_s)))
    for axis, column in enumerate(columns):
        out[axis] = at_times(grid_s, time_s, column, gap_s)
    return out


def _fill(file: Any, labels: list[str], points: Floats, rate_hz: float) -> None:
    """Points (3, P, N) into the file, with residual -1 where one is missing."""
    missing = np.isnan(points).any(axis=0)
    file["parameters"]["POINT"]["RATE"]["value"] = [rate_hz]
    file["parameters"]["POINT"]["LABELS"]["value"] = tuple(labels)
    file["parameters"]["POINT"]["UNITS"]["value"] = ("mm",)
    file["data"]["points"] = np.concatenate([np.where(missing, np.nan, points), np.ones((1, *missing.shape))])
    file["data"]["meta_points"]["residuals"] = np.where(missing, -1.0, 0.0)[None]
    file["data"]["meta_points"]["camera_masks"] = np.zeros((7, *missing.shape), dtype=bool)


def _describe(file: Any, angles: list[str], report: Report) -> None:
    """Which points are angles, what made the file, and the repetitions as events."""
    file.add_parameter("POINT", "ANGLES", angles)
    file.add_parameter("POINT", "ANGLE_UNITS", ["deg"])
    file.add_parameter("MANUFACTURER", "SOFTWARE", ["Matline"])
    events = [
        (f"{moment} {r.index}", r.side.capitalize() if r.side != "both" else "General", at_s)
        for r in report.repetitions
        for moment, at_s in (("start", r.start_s), ("turn", r.turn_s), ("end", r.end_s))
    ]
    file.add_parameter("EVENT", "USED", [len(events)])
    if events:
        labels, contexts, at_s = zip(*events, strict=True)
        file.add_parameter("EVENT", "LABELS", list(labels))
        file.add_parameter("EVENT", "CONTEXTS", list(contexts))
        # The format counts whole minutes apart from the seconds; times start with the first sample.
        seconds = np.array(at_s) - (report.series["time_s"][0] or 0.0)
        file.add_parameter("EVENT", "TIMES", np.stack([seconds // 60, seconds % 60]))


def _array(values: tuple[float | None, ...]) -> Floats:
    return np.array([np.nan if v is None else v for v in values], dtype=np.float64)
