"""Invented sessions with known truth: each side's range, the error of the clip, the spread of repetitions."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

import numpy as np

from analysis import cautions
from analysis.conventions import SIDES, Side
from analysis.measurement_error import times_between_clips
from analysis.progress import Session
from analysis.records import (
    Capture,
    ClipSummary,
    Measures,
    Repetition,
    Report,
    SessionNotes,
    Verdict,
)

START = datetime(2026, 1, 5, 18, 30, tzinfo=UTC)
HALF_WIDTH_DEG = 3.0  # of a range against another clip
STATED_DEG = HALF_WIDTH_DEG / times_between_clips("toe_tap", "range_deg")
SIGNALS = ("pelvic_tilt", "hip_flexion_left", "hip_flexion_right", "knee_flexion_left", "knee_flexion_right")


def repetition(
    index: int, side: Side, range_deg: float, verdict: Verdict = "sound", **measures: float
) -> Repetition:
    start = 5.0 * index
    return Repetition(
        index=index, side=side, start_s=start, turn_s=start + 2, end_s=start + 4, verdict=verdict,
        measures=Measures(range_deg=range_deg, **{"out_s": 2.0, "back_s": 2.0, "pelvis_deg": 2.0} | measures),
    )  # fmt: skip


def report(
    *,
    at: datetime | None = START,
    ranges: dict[Side, Sequence[float]] | None = None,
    verdicts: Sequence[Verdict] = (),
    pain: tuple[int | None, int | None] = (1, 1),
    signs: tuple[str, ...] = (),
    client: str | None = "C-01",
    exercise: str = "toe_tap",
    **changes: Any,
) -> Report:
    """A report of alternating repetitions; any other field of the report can be replaced."""
    ranges = {"left": [40.0, 41, 39, 40], "right": [40.0, 41, 39, 40]} if ranges is None else ranges
    amounts = [(side, amount) for side, values in ranges.items() for amount in values]
    verdicts = [*verdicts, *["sound"] * (len(amounts) - len(verdicts))]
    fields: dict[str, Any] = {
        "exercise": exercise,
        "clip": ClipSummary(duration_s=60.0, frames=1800, frames_measured=600, width=1280, height=720),
        "capture": Capture(view="side", usable=True),
        "series": {"time_s": (0.0, 0.1)} | dict.fromkeys(SIGNALS, (0.0, 1.0)),
        "uncertainty_deg": dict.fromkeys(SIGNALS, 5.0),
        "change_uncertainty_deg": dict.fromkeys(SIGNALS, STATED_DEG),
        "pelvis_source": "card",
        "repetitions": [
            repetition(i, side, amount, verdict)
            for i, ((side, amount), verdict) in enumerate(zip(amounts, verdicts, strict=True), start=1)
        ],
        "cautions": cautions.load().caution,
        "session": SessionNotes(
            recorded_at=at, client=client, pain_before=pain[0], pain_after=pain[1], warning_signs=signs
        ),
    }
    return Report.model_validate(fields | changes)


def session(day: float = 0, **fields: Any) -> Session:
    """A session so many days after the start."""
    at = START + timedelta(days=day)
    return Session.of(f"day_{day:g}", report(at=at, **fields))


def measured(
    rng: np.random.Generator, day: float, truth: dict[Side, float], *, spread_deg: float = 2.0, each: int = 5
) -> Session:
    """A session as the tool would measure it: the error of a side is common to its repetitions in a clip."""
    repetitions = []
    for side, true in truth.items():
        amounts = true + rng.normal(0, HALF_WIDTH_DEG / 1.96) + rng.normal(0, spread_deg, each)
        # Not validated: this runs thousands of times.
        repetitions += [_PLAIN[side].model_copy(update={"measures": _range(a)}) for a in amounts.tolist()]
    notes = SessionNotes(recorded_at=START + timedelta(days=day))
    plain = _plain().model_copy(update={"repetitions": tuple(repetitions), "session": notes})
    return Session.of(f"day_{day:g}", plain)


@cache
def _plain() -> Report:
    return report()


def _range(amount: float) -> Measures:
    return Measures.model_construct(range_deg=amount)


_PLAIN = {side: repetition(1, side, 40) for side in SIDES}
