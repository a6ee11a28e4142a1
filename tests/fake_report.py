"""An invented report with known numbers: toe taps, six repetitions, one of each verdict at least."""

import dataclasses

import numpy as np

from analysis import cautions
from analysis.records import (
    Capture,
    CaptureProblem,
    ClipSummary,
    Finding,
    Floats,
    Measures,
    Observations,
    Repetition,
    Report,
    SideComparison,
    Verdict,
)


def observations(
    time_s: Floats, landmarks_px: Floats, *, width: int = 640, height: int = 360, people: Floats | None = None
) -> Observations:
    """Observations of one person with these landmarks (T, 33, 2) [px]; nothing else was seen."""
    count = np.ones(len(time_s)) if people is None else people
    given = {
        "time_s": time_s,
        "landmarks_px": landmarks_px,
        "width": width,
        "height": height,
        "people": count,
    }
    unseen = {f.name: np.full(len(time_s), np.nan) for f in dataclasses.fields(Observations)}
    return Observations(**(unseen | {"visibility": np.ones((len(time_s), 33))} | given))  # type: ignore[arg-type]


RATE_HZ, REST_S, REPETITION_S = 12.5, 2.0, 5.0


def finding(kind: str, at_s: float | None, value: float, limit: float, unit: str = "deg") -> Finding:
    words = {
        "pelvis_tilted": ("The pelvis arched with the leg.", "Make the movement smaller; keep it still."),
        "rushed": ("The way back was quick.", "Take about two seconds each way."),
        "not_measurable": ("The far knee was hidden here.", "Film from the other side for this leg."),
        "sides_uneven": ("The right leg went further than the left.", "Match the smaller side."),
    }
    message, cue = words[kind]
    return Finding(
        kind=kind, value=value, limit=limit, unit=unit, uncertainty=1.4, at_s=at_s,
        message=message, cue=cue, source="common practice, no source",
    )  # fmt: skip


def repetition(index: int, verdict: Verdict = "sound", *found: Finding) -> Repetition:
    start = REST_S + (index - 1) * REPETITION_S
    measured = verdict != "not_measured"
    return Repetition(
        index=index,
        side="left" if index % 2 else "right",
        start_s=start,
        turn_s=start + 2.2,
        end_s=start + 4.4,
        complete=index != 6,
        measures=Measures(range_deg=38.2 + index, out_s=2.2, back_s=2.2, pelvis_deg=2.1, smoothness=-1.6)
        if measured
        else Measures(),
        findings=found,
        verdict=verdict,
    )


def repetitions() -> tuple[Repetition, ...]:
    return (
        repetition(1),
        repetition(2, "flagged", finding("pelvis_tilted", 9.2, 8.2, 5.0)),
        repetition(3, "borderline", finding("pelvis_tilted", 14.4, 5.9, 5.0)),
        repetition(4, "flagged", finding("rushed", 20.9, 0.62, 1.0, "s")),
        repetition(5),
        repetition(6, "not_measured", finding("not_measurable", 29.0, float("nan"), float("nan"))),
    )


def series(duration_s: float = REST_S + 6 * REPETITION_S) -> dict[str, tuple[float | None, ...]]:
    time = np.arange(0, duration_s, 1 / RATE_HZ)
    cycle = (time - REST_S) / REPETITION_S
    lift = np.where(cycle > 0, 20 * (1 - np.cos(2 * np.pi * cycle)), 0.0)
    even = np.floor(cycle) % 2 == 0
    tilt = np.where((cycle > 1) & (cycle < 2), 4.1 * (1 - np.cos(2 * np.pi * cycle)), 0.4 * np.sin(time))
    right = 62 + np.where(~even, lift, 0)
    right[(time > 27) & (time < 31)] = np.nan  # the far leg is hidden for a while
    signals = {
        "time_s": time,
        "pelvic_tilt": tilt,
        "hip_flexion_left": 48 + np.where(even, lift, 0),
        "hip_flexion_right": right - 14,
        "knee_flexion_left": 64 + np.where(even, lift, 0) * 0.4,
        "knee_flexion_right": right,
    }
    return {name: tuple(round(float(v), 2) for v in values) for name, values in signals.items()}


def report(**changes: object) -> Report:
    """The invented report; any field can be replaced."""
    fields: dict[str, object] = {
        "exercise": "toe_tap",
        "clip": ClipSummary(duration_s=32.0, frames=960, frames_measured=400, width=1280, height=720),
        "capture": Capture(
            view="side",
            usable=True,
            problems=(
                CaptureProblem(
                    kind="too_dark",
                    message="The picture is dark, so the far leg is hard to see.",
                    advice="Switch on a lamp behind the phone, or film by day facing the window.",
                ),
            ),
        ),
        "series": series(),
        "uncertainty_deg": {"pelvic_tilt": 1.4, "hip_flexion_left": 4.0, "hip_flexion_right": 4.6,
                            "knee_flexion_left": 3.1, "knee_flexion_right": 3.4},
        "change_uncertainty_deg": {"pelvic_tilt": 1.0},
        "pelvis_source": "fabric",
        "repetitions": repetitions(),
        "sides": {
            "range_deg": SideComparison(
 left=41.2, right=43.2, difference=2.0, uncertainty=4.4, beyond_error=False),
            "pelvis_deg": SideComparison(
                left=2.1, right=8.2, difference=6.1, uncertainty=2.0, symmetry_index_pct=118.4,
 beyond_error=True,
            ),
        },
        "findings": (finding("sides_uneven", None, 6.1, 4.4),),
        "cautions": cautions.load().caution,
    }  # fmt: skip
    return Report.model_validate(fields | changes)
