"""Puts the results of the steps together into one report, rounded to what they can mean."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from analysis import cautions
from analysis.records import (
    Capture,
    Clip,
    ClipSummary,
    Finding,
    Motion,
    Observations,
    Repetition,
    Report,
    SessionNotes,
    SideComparison,
)

TIME_DECIMALS = 2  # 0.01 s
DECIMALS = 1  # 0.1 deg, 0.1 cm, 0.1 %
UNITLESS_DECIMALS = 2


def build(
    *,
    exercise: str,
    clip: Clip,
    observations: Observations,
    motion: Motion,
    capture: Capture,
    repetitions: Sequence[Repetition],
    sides: Mapping[str, SideComparison],
    findings: Sequence[Finding],
    session: SessionNotes | None = None,
) -> Report:
    """The report of one clip, with the cautions that every report carries.

    Missing values are null; angles are rounded to 0.1 deg, times to 0.01 s. `findings` are those of
    the whole set; those of a repetition are in it. Signals without any value are left out.
    """
    report = Report(
        exercise=exercise,
        clip=_summary(clip, observations),
        capture=capture,
        series=_series(motion),
        uncertainty_deg=_known(motion.uncertainty_deg, motion),
        change_uncertainty_deg=_known(motion.change_uncertainty_deg, motion),
        pelvis_source=motion.pelvis_source,
        repetitions=tuple(repetitions),
        sides=dict(sides),
        findings=tuple(findings),
        cautions=cautions.load().caution,
        session=session or SessionNotes(),
    )
    return Report.model_validate(rounded(report.model_dump(by_alias=True)))


def rounded(value: Any, key: str = "", unit: str = "") -> Any:
    """The same plain data with every float rounded by its name and unit; not finite -> None."""
    if isinstance(value, float):
        return round(float(value), _decimals(key, unit)) if np.isfinite(value) else None
    if isinstance(value, dict):
        unit = value.get("unit", unit)
        return {k: rounded(v, k, unit) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(v, key, unit) for v in value]
    return value


def _decimals(key: str, unit: str) -> int:
    if key.endswith("_s") or (key in {"value", "limit", "uncertainty"} and unit == "s"):
        return TIME_DECIMALS
    return UNITLESS_DECIMALS if key == "smoothness" or unit == "1" else DECIMALS


def _summary(clip: Clip, observations: Observations) -> ClipSummary:
    seen = np.any(np.isfinite(observations.landmarks_px), axis=(1, 2))  # (T, 33, 2) -> (T,)
    return ClipSummary(
        duration_s=clip.duration_s,
        frames=len(clip.time_s),
        frames_measured=int(seen.sum()),
        width=clip.width,
        height=clip.height,
    )


def _series(motion: Motion) -> dict[str, tuple[float, ...]]:
    told = {name: values for name, values in motion.values.items() if np.isfinite(values).any()}
    return {name: tuple(v.tolist()) for name, v in {"time_s": motion.time_s, **told}.items()}


def _known(by_signal: Mapping[str, float], motion: Motion) -> dict[str, float]:
    """Uncertainties of the signals that the clip answers; an unknown one cannot be printed as 0."""
    return {
        name: float(half)
        for name, half in by_signal.items()
        if np.isfinite(half) and np.isfinite(motion.values.get(name, np.nan)).any()
    }
