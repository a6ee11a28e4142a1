"""Published and computed worked examples of the symmetry formulas, and when a percentage is given."""

import math

import pytest

from analysis.symmetry import compare_sides, robinson_index_pct, symmetry_angle_pct


# Fictive data of a published table (J Phys Med Rehabil 2-201, table 1): NP, P, SI, SA with arctan(NP/P).
# There SI is (NP - P), so NP stands on our right; its SA has NP as the left value.
@pytest.mark.parametrize(
    ("np_side", "p_side", "index", "angle"),
    [
        (0.39, 0.25, 43.75, -13.71),
        (0.59, 0.40, 38.38, -12.07),
        (0.47, 0.37, 23.81, -7.54),
        (0.25, 0.39, -43.75, 13.71),
    ],
)
def test_published_table(np_side: float, p_side: float, index: float, angle: float) -> None:
    assert robinson_index_pct(p_side, np_side) == pytest.approx(index, abs=5e-3)
    assert symmetry_angle_pct(np_side, p_side) == pytest.approx(angle, abs=1e-2)


@pytest.mark.parametrize(
    ("larger", "smaller", "index", "angle"), [(60, 50, 18.18, 5.77), (50, 45, 10.53, 3.35)]
)
def test_values_computed_from_the_formulas(larger: float, smaller: float, index: float, angle: float) -> None:
    assert robinson_index_pct(smaller, larger) == pytest.approx(index, abs=5e-3)
    assert symmetry_angle_pct(smaller, larger) == pytest.approx(angle, abs=5e-3)
    assert robinson_index_pct(larger, smaller) == pytest.approx(-index, abs=5e-3)


def test_equal_sides_are_zero_and_opposite_sides_a_hundred() -> None:
    assert robinson_index_pct(40, 40) == 0
    assert symmetry_angle_pct(40, 40) == 0
    assert abs(symmetry_angle_pct(-40, 40)) == pytest.approx(100)


def test_undefined_percentages_are_missing() -> None:
    assert math.isnan(robinson_index_pct(0, 0))
    assert math.isnan(symmetry_angle_pct(0, 0))
    assert symmetry_angle_pct(1, 0) == pytest.approx(-50)


def test_difference_beyond_the_error_has_degrees_and_percent() -> None:
    got = compare_sides(left=50, right=60, uncertainty=6)
    assert got.difference == 10
    assert got.beyond_error
    assert got.symmetry_index_pct == pytest.approx(18.18, abs=5e-3)


def test_difference_within_the_error_is_not_called_one() -> None:
    assert not compare_sides(50, 55, 6).beyond_error


@pytest.mark.parametrize(("left", "right"), [(3, 12), (-10, 12), (0, 0)])
def test_no_percentage_for_small_angles_or_across_zero(left: float, right: float) -> None:
    assert compare_sides(left, right, 6).symmetry_index_pct is None


@pytest.mark.parametrize(("left", "right"), [(None, 40.0), (40.0, math.nan), (None, None)])
def test_missing_side_is_never_a_difference(left: float | None, right: float | None) -> None:
    got = compare_sides(left, right, 6)
    assert got.difference is None
    assert not got.beyond_error


def test_unknown_error_never_counts_as_a_difference() -> None:
    got = compare_sides(10, 60, None)
    assert got.difference == 50
    assert not got.beyond_error
    assert got.symmetry_index_pct is None
