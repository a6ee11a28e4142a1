"""Half-widths of measures, by hand from what each exercise measures and the report states."""

import math

import pytest
from fake_sessions import report

from analysis.measurement_error import between_clips, half_width, times_between_clips, unit
from analysis.records import Report


def told(exercise: str, **stated: float) -> Report:
    return report(
        exercise=exercise,
        series={"time_s": (0.0,)} | dict.fromkeys(stated, (0.0,)),
        uncertainty_deg=dict.fromkeys(stated, 9.0),
        change_uncertainty_deg=stated,
    )


@pytest.mark.parametrize(
    ("exercise", "side", "stated", "expected"),
    [
        ("toe_tap", "left", {"knee_flexion_left": 3.0, "knee_flexion_right": 5.0}, 3.0),
        # Half the sum of abduction and rotation of the hip.
        ("clam", "right", {"hip_abduction_right": 2.0, "hip_rotation_right": 6.0}, 4.0),
        # The thigh against the mat: the pelvis, from which the hip is told, drops out with its error.
        ("leg_extension", "left", {"hip_flexion_left": 3.0, "pelvic_tilt": 1.5}, 3.0),
        ("leg_extension", "left", {"hip_flexion_left": 3.0}, 3.0),
        # Both legs.
        ("bridge", "both", {"hip_flexion_left": 3.0, "hip_flexion_right": 5.0}, 4.0),
        # A circle: its height.
        ("leg_circle", "left", {"hip_abduction_left": 2.0, "hip_flexion_left": 3.0}, 2.0),
        ("pelvic_tilt", "both", {"pelvic_tilt": 1.5}, 1.5),
    ],
)
def test_range(exercise: str, side: str, stated: dict[str, float], expected: float) -> None:
    assert half_width(told(exercise, **stated), side, "range_deg") == pytest.approx(expected)  # type: ignore[arg-type]


def test_pelvis_is_the_worst_signal_that_is_judged_and_seen() -> None:
    seen = told("toe_tap", pelvic_tilt=1.0, pelvic_rotation=2.0)
    assert half_width(seen, "left", "pelvis_deg") == 2.0
    assert half_width(told("toe_tap", pelvic_tilt=1.0), "left", "pelvis_deg") == 1.0


def test_what_is_not_stated_is_not_known() -> None:
    bare = told("toe_tap")
    assert math.isnan(half_width(bare, "left", "range_deg"))
    assert math.isnan(half_width(bare, "left", "pelvis_deg"))
    assert math.isnan(half_width(told("toe_tap", knee_flexion_left=1.0), "left", "smoothness"))
    assert math.isnan(half_width(told("leg_circle", hip_flexion_left=2.0), "left", "range_deg"))
    assert math.isnan(half_width(told("unheard_of", knee_flexion_left=1.0), "left", "range_deg"))


def test_a_change_that_is_not_stated_takes_the_error_of_a_value() -> None:
    plain = told("toe_tap", knee_flexion_left=1.0).model_copy(update={"change_uncertainty_deg": {}})
    assert half_width(plain, "left", "range_deg") == 9.0


def test_durations_and_units() -> None:
    assert half_width(told("toe_tap"), "left", "out_s") == 0.2
    assert [unit(m) for m in ("range_deg", "out_s", "sound_pct", "smoothness")] == ["deg", "s", "%", "1"]


def test_against_another_clip_a_measure_is_less_sure() -> None:
    """Factors from the data file; a pelvis followed by its card does not depend on clothes."""
    seen = told("toe_tap", knee_flexion_left=3.0, pelvic_tilt=1.0)
    cloth = seen.model_copy(update={"pelvis_source": "fabric"})
    for measure in ("range_deg", "out_s", "back_s"):
        factor = times_between_clips("toe_tap", measure)
        within = half_width(cloth, "left", measure)
        assert factor > 1
        assert between_clips(cloth, "left", measure) == pytest.approx(factor * within)
    assert between_clips(seen, "left", "pelvis_deg") == 1.0
    assert times_between_clips("bird_dog", "range_deg") == times_between_clips("curl_up", "range_deg") >= 1
    assert times_between_clips("toe_tap", "hold_s") == 1
    assert math.isnan(between_clips(told("toe_tap"), "left", "range_deg"))
