"""The client's own tuck-arch range, and tilts told as a share of it."""

import fake_report
import pytest
from simulated import Errors, measure, perform

from analysis import exercises, findings, own_range, repetitions
from analysis.errors import ReportError
from analysis.records import Measures, Report


def tilt_report(*widths: float | None) -> Report:
    done = tuple(
        fake_report.repetition(i + 1).model_copy(update={"side": "both", "measures": Measures(range_deg=w)})
        for i, w in enumerate(widths)
    )
    return fake_report.report(exercise="pelvic_tilt", repetitions=done)


def test_the_usual_width_is_the_range() -> None:
    assert own_range.tuck_arch_deg(tilt_report(18.0, 20.0, 25.0)) == 20.0


@pytest.mark.parametrize(
    ("told", "why"),
    [
        (fake_report.report(), "of toe_tap"),
        (tilt_report(), "does not show"),
        (tilt_report(None, None), "does not show"),
        (tilt_report(0.5, 0.6), "does not show"),  # within the error of the measurement
    ],
)
def test_what_cannot_tell_is_refused(told: Report, why: str) -> None:
    with pytest.raises(ReportError, match=why):
        own_range.tuck_arch_deg(told)


def test_tilts_are_told_as_a_share() -> None:
    exercise = exercises.load("toe_tap")
    motion, places = measure(perform("toe_tap", 3), Errors(), 3)
    spans = repetitions.find(motion, exercise)
    plain = findings.judge(spans, motion, exercise, None, places).repetitions
    shared = findings.judge(spans, motion, exercise, None, places, tuck_arch_deg=20.0).repetitions
    assert spans
    assert all(r.measures.pelvis_own_pct is None for r in plain)
    for r in shared:
        share, moved = r.measures.pelvis_own_pct, r.measures.pelvis_deg
        assert share is not None
        assert moved is not None
        assert 0 < share <= 100 * moved / 20.0 + 1e-9  # the tilt is one of the three motions of the pelvis
