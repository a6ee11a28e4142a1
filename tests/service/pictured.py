"""A stand-in for measuring that gives the pages everything to show: curves, sides, findings, a body.

The size of the movement is the one that the programme asks for, so a test can bring about a change.
"""

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from standin import finding, observations, skeleton
from standin import report as small_report

from analysis import video
from analysis.records import Finding, Measures, Observations, Repetition, Report
from service.measure import Measured, Order

USUAL_DEG = 30.0
ENDLESS_DEG = 99.0  # where the programme asks for this, measuring takes minutes
STARTS = (0.8, 2.6, 4.4, 6.2)  # s; left, right, left, right
LONG = 1.2  # s
LATE_DEG = 45.0  # where the programme asks for this, repetitions begin later and turn later
LATE_S, LATE_TURN = 0.4, 0.75  # s, and the share of a repetition


def rich(order: Order, progress: Callable[[float], None]) -> Measured:
    """Four repetitions; the second tilts the pelvis, the fourth is rushed."""
    degrees = order.prescription.range_deg or USUAL_DEG
    for step in range(2400 if degrees == ENDLESS_DEG else 8):
        progress(min(step / 8, 0.9))
        time.sleep(0.05)
    clip = video.probe(order.path)
    base = small_report(order, clip.duration_s)
    repetitions = tuple(_repetition(i, start, degrees) for i, start in enumerate(STARTS, 1))
    changed = {
        "repetitions": repetitions,
        "findings": (_uneven(),),
        "series": _series(degrees, clip.duration_s),
        "uncertainty_deg": {"pelvic_tilt": 2.0, "knee_flexion_left": 4.0, "knee_flexion_right": 4.0},
    }
    report = Report.model_validate(base.model_dump(by_alias=True) | _dumped(changed))
    seen = observations(clip.width, clip.height, clip.duration_s)
    return Measured(report, _moving(seen), skeleton(seen))


def _dumped(changed: dict[str, object]) -> dict[str, object]:
    return {k: [r.model_dump() for r in v] if isinstance(v, tuple) else v for k, v in changed.items()}


def _repetition(index: int, start: float, degrees: float) -> Repetition:
    late = degrees == LATE_DEG
    start += LATE_S if late else 0.0
    turn = start + LONG * (LATE_TURN if late else 0.5)
    tilted = finding().model_copy(update={"at_s": turn})
    rushed = finding("rushed").model_copy(
        update={"value": 0.6, "limit": 1.0, "unit": "s", "uncertainty": 0.1, "at_s": turn}
        | {"message": "The way out took 0.6 s.", "cue": "Take about two seconds each way."}
    )
    found = {2: (tilted,), 4: (rushed,)}.get(index, ())
    return Repetition(
        index=index,
        side="left" if index % 2 else "right",
        start_s=start,
        turn_s=turn,
        end_s=start + LONG,
        measures=Measures(range_deg=degrees, out_s=0.6, back_s=0.6, pelvis_deg=8.0 if index == 2 else 1.0),
        findings=found,
        verdict="flagged" if found else "sound",
    )


def _uneven() -> Finding:
    return finding("sides_uneven").model_copy(
        update={
            "at_s": None,
            "message": "The right knee went 15 deg further.",
            "cue": "Match the smaller side.",
        }
    )


def _series(degrees: float, duration_s: float) -> dict[str, tuple[float, ...]]:
    t = np.round(np.arange(0, duration_s, 0.1), 2)
    bumps = [np.clip(1 - np.abs(t - s - LONG / 2) / (LONG / 2), 0, 1) for s in STARTS]
    left, right = bumps[0] + bumps[2], bumps[1] + bumps[3]
    curves = {
        "time_s": t,
        "pelvic_tilt": 8.0 * bumps[1],
        "knee_flexion_left": 90 - degrees * left,
        "knee_flexion_right": 90 - 1.5 * degrees * right,
    }
    return {name: tuple(np.round(values, 2).tolist()) for name, values in curves.items()}


def _moving(still: Observations) -> Observations:
    """The body shifts to the right with time, so a page can be seen to follow."""
    shift = np.linspace(0, 0.3 * still.width, len(still.time_s))
    points = still.landmarks_px.copy()
    points[:, :, 0] += shift[:, None]
    return replace(still, landmarks_px=points)
