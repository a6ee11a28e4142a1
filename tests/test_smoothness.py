"""Worked values of SPARC and LDLJ: the method's own docstrings, and exact minimum-jerk movements."""

import math

import numpy as np
import pytest

from analysis.records import Floats
from analysis.smoothness import angle_smoothness, log_dimensionless_jerk, sparc


def minimum_jerk_speed(duration_s: float, rate_hz: float) -> Floats:
    """Speed of a minimum-jerk movement of amplitude 1, both ends included, (N,)."""
    x = np.arange(round(duration_s * rate_hz) + 1) / (duration_s * rate_hz)
    return 30 * x**2 * (1 - x) ** 2 / duration_s


def test_bell_of_the_methods_own_docstrings() -> None:
    """Balasubramanian 2015, docstrings of the authors' code: exp(-5 t^2), t = -1:0.01:0.99."""
    speed = np.exp(-5 * np.arange(-1, 1, 0.01) ** 2)
    assert sparc(speed, 100) == pytest.approx(-1.41403, abs=5e-6)
    assert log_dimensionless_jerk(speed, 100) == pytest.approx(-5.81636, abs=5e-6)
    assert math.exp(-log_dimensionless_jerk(speed, 100)) == pytest.approx(335.74684, abs=5e-4)


@pytest.mark.parametrize(
    ("duration_s", "rate_hz", "arc", "jerk"),
    [
        (1, 30, -1.4004, -5.2509),
        (1, 100, -1.4058, -5.3016),
        (1, 1000, -1.4024, -5.3200),
        (4, 30, -1.4004, -5.3051),
    ],
)
def test_minimum_jerk(duration_s: float, rate_hz: float, arc: float, jerk: float) -> None:
    """Computed from the formulas; the exact LDLJ is -ln(720 / 1.875^2) = -5.3220."""
    speed = minimum_jerk_speed(duration_s, rate_hz)
    assert sparc(speed, rate_hz) == pytest.approx(arc, abs=5e-5)
    assert log_dimensionless_jerk(speed, rate_hz) == pytest.approx(jerk, abs=5e-5)


@pytest.mark.parametrize("rate_hz", [8, 10, 12, 15])
def test_few_samples_a_second_do_not_roughen_a_movement(rate_hz: float) -> None:
    """Above half the rate a spectrum is its own mirror, which is no part of the movement."""
    assert sparc(minimum_jerk_speed(4, rate_hz), rate_hz) == pytest.approx(-1.4004, abs=0.01)


def test_two_moves_with_a_full_stop_are_less_smooth() -> None:
    """Exact: dimensionless jerk 3276.8, LDLJ -8.0946; SPARC -2.246 at 1000 Hz."""
    speed = np.concatenate([minimum_jerk_speed(1, 1000)[:-1], minimum_jerk_speed(1, 1000)])
    assert sparc(speed, 1000) == pytest.approx(-2.246, abs=1e-3)
    assert log_dimensionless_jerk(speed, 1000) == pytest.approx(-8.0946, abs=2e-3)


def test_half_cosine_beats_minimum_jerk_so_there_is_no_ceiling() -> None:
    """Exact: pi^4 / 2, LDLJ -3.8858."""
    speed = np.sin(np.pi * np.arange(1001) / 1000)
    assert log_dimensionless_jerk(speed, 1000) == pytest.approx(-3.8858, abs=5e-3)


def test_smoothness_does_not_depend_on_size() -> None:
    speed = minimum_jerk_speed(2, 30)
    assert sparc(40 * speed, 30) == pytest.approx(sparc(speed, 30))
    assert log_dimensionless_jerk(40 * speed, 30) == pytest.approx(log_dimensionless_jerk(speed, 30))


@pytest.mark.parametrize("speed", [np.zeros(50), np.ones(5), np.r_[np.ones(20), np.nan]])
def test_nothing_to_measure_is_missing(speed: Floats) -> None:
    assert math.isnan(sparc(speed, 30))
    assert math.isnan(log_dimensionless_jerk(speed, 30))


def test_tremor_makes_an_angle_less_smooth_and_a_gap_hides_it() -> None:
    time_s = np.arange(91) / 30
    x = time_s / 3
    angle = 60 * (10 * x**3 - 15 * x**4 + 6 * x**5)
    calm = angle_smoothness(time_s, angle, 0.25)
    assert calm == pytest.approx(-1.40, abs=0.02)
    assert angle_smoothness(time_s, angle + 2 * np.sin(2 * np.pi * 4 * time_s), 0.25) < calm - 0.5
    angle[30:60] = np.nan
    assert math.isnan(angle_smoothness(time_s, angle, 0.25))
