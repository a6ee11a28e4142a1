"""Gains from the filter formulas (Winter); gaps are never filled or filtered across."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, freqz

from analysis.filters import corrected_cutoff_hz, resample, smooth, stretches, without_spikes


@pytest.mark.parametrize(("rate_hz", "one_pass_hz"), [(30, 7.0275), (60, 7.3495), (100, 7.4309)])
def test_corrected_cutoff_gives_half_power_at_six_hertz(rate_hz: float, one_pass_hz: float) -> None:
    """Winter's correction with pre-warping; values computed from the formula."""
    corrected = corrected_cutoff_hz(6, rate_hz)
    assert corrected == pytest.approx(one_pass_hz, abs=5e-5)
    b, a = butter(2, corrected, fs=rate_hz)
    gain = abs(freqz(b, a, [6], fs=rate_hz)[1][0]) ** 2  # two passes
    assert gain == pytest.approx(2**-0.5, abs=1e-9)


def test_second_order_section_at_thirty_hertz() -> None:
    b, a = butter(2, corrected_cutoff_hz(6, 30), fs=30)
    assert b == pytest.approx([0.26449, 0.52899, 0.26449], abs=5e-6)
    assert a == pytest.approx([1, -0.11598, 0.17395], abs=5e-6)


@pytest.mark.parametrize("cutoff_hz", [0.0, 15.0, 20.0])
def test_cutoff_outside_the_band_is_refused(cutoff_hz: float) -> None:
    with pytest.raises(ValueError, match="half the rate"):
        corrected_cutoff_hz(cutoff_hz, 30)


def test_smooth_has_the_promised_gain_and_no_lag() -> None:
    time_s = np.arange(600) / 30
    wave = np.sin(2 * np.pi * 3 * time_s)
    middle = slice(200, 400)
    got = smooth(time_s, wave, cutoff_hz=3, longest_gap_s=0.2)[middle]
    assert got == pytest.approx(wave[middle] * 2**-0.5, abs=1e-3)


def test_slow_movement_at_a_variable_frame_rate_keeps_its_peak() -> None:
    """Peak loss of a 60 deg sine at 0.5 Hz, sampled at 30 fps on average, stays below 0.16 deg (15 fps)."""
    steps = np.random.default_rng(1).uniform(0.02, 0.046, 600)
    time_s = np.cumsum(steps)
    wave = 30 * np.sin(2 * np.pi * 0.5 * time_s)
    got = smooth(time_s, wave, cutoff_hz=4, longest_gap_s=0.2)
    assert np.max(np.abs(got - wave)[60:-60]) < 0.16


def test_line_passes_through_unchanged_to_its_ends() -> None:
    time_s = np.arange(100) / 30
    assert smooth(time_s, 5 + 2 * time_s, 4, 0.2) == pytest.approx(5 + 2 * time_s, abs=1e-6)


def test_short_gap_is_bridged_and_long_gap_is_not() -> None:
    time_s = np.arange(300) / 30
    values = np.sin(time_s)
    values[100:103] = np.nan  # 0.13 s from sample to sample
    values[200:230] = np.nan  # 1 s
    got = smooth(time_s, values, 4, 0.25)
    assert np.array_equal(np.isnan(got), np.isin(np.arange(300), np.arange(200, 230)))
    assert got[100:103] == pytest.approx(np.sin(time_s[100:103]), abs=0.01)


def test_nothing_leaks_across_a_gap() -> None:
    time_s = np.arange(300) / 30
    low, high = np.zeros(300), np.zeros(300)
    low[140:160] = high[140:160] = np.nan
    high[160:] = 90
    assert np.array_equal(smooth(time_s, low, 4, 0.25)[:140], smooth(time_s, high, 4, 0.25)[:140])
    assert smooth(time_s, high, 4, 0.25)[160:] == pytest.approx(90)


def test_columns_are_independent_and_shape_is_kept() -> None:
    time_s = np.arange(90) / 30
    values = np.random.default_rng(2).normal(size=(90, 3, 2))
    values[:, 1, 0] = np.nan
    got = smooth(time_s, values, 4, 0.2)
    assert got.shape == values.shape
    assert np.all(np.isnan(got[:, 1, 0]))
    assert got[:, 2, 1] == pytest.approx(smooth(time_s, values[:, 2, 1], 4, 0.2))


def test_what_one_sample_alone_says_is_not_believed() -> None:
    """Medians of three: a spike leaves no more than a neighbour does, and a straight line passes through."""
    line = 2.0 * np.arange(30.0)
    values = np.column_stack([line, -line])
    values[12, 0] += 20.0
    got = without_spikes(values)
    assert np.abs(got[1:-1, 0] - line[1:-1]).max() <= 2.0
    assert got[1:-1, 1] == pytest.approx(-line[1:-1], abs=1e-9)


def test_without_spikes_missing_samples_stay_missing() -> None:
    values = np.sin(np.arange(40.0))[:, None]
    values[10:14] = np.nan
    values[20] = np.nan
    assert (np.isnan(without_spikes(values)) == np.isnan(values)).all()


def test_too_sparse_samples_come_back_as_they_are() -> None:
    time_s = np.arange(10) / 5
    values = np.arange(10.0) ** 2
    assert smooth(time_s, values, 4, 0.5) == pytest.approx(values)


def test_resample_leaves_gaps_missing() -> None:
    time_s = np.array([0.0, 0.1, 0.2, 1.2, 1.3, 1.4])
    grid, values = resample(time_s, time_s * 10, rate_hz=10, longest_gap_s=0.3)
    assert grid == pytest.approx(np.arange(15) / 10)
    assert np.array_equal(np.isfinite(values), [True] * 3 + [False] * 9 + [True] * 3)
    assert values[13] == pytest.approx(13)


@settings(deadline=None)  # a loaded machine is no fault
@given(st.lists(st.booleans(), min_size=1, max_size=60), st.floats(0.05, 1.0))
def test_stretches_hold_every_measured_sample_once(measured: list[bool], longest_gap_s: float) -> None:
    time_s = np.arange(len(measured)) / 30
    values = np.where(measured, 1.0, np.nan)
    parts = stretches(time_s, values, longest_gap_s)
    covered = [i for part in parts for i in range(part.start, part.stop) if measured[i]]
    assert covered == [i for i, m in enumerate(measured) if m]
    assert all(measured[p.start] and measured[p.stop - 1] for p in parts)
    smoothed = smooth(time_s, values, 4, longest_gap_s)
    assert np.all(np.isfinite(smoothed[np.array(measured)]))
