"""Smoothing and resampling by true timestamps, never across a gap.

Phone video has a variable frame rate, so every filter here works on a uniform time base made from the
timestamps. A gap longer than `longest_gap_s` ends a stretch: nothing is filtered, and nothing is
invented, across it. Missing is NaN, in and out.
"""

from functools import lru_cache

import numpy as np
from scipy.signal import butter, sosfiltfilt

from analysis.records import Floats

# Two passes of a filter lower its cut-off; each pass is designed higher by this factor
# (Winter, Biomechanics and Motor Control of Human Movement; (2**(1/2) - 1)**(1/4) = 0.80224).
TWO_PASS_FACTOR = (2**0.5 - 1) ** 0.25


def sample_rate_hz(time_s: Floats) -> float:
    """Usual rate of the samples [Hz], from the median time between them; NaN for fewer than two.

    time_s (T,) increasing [s].
    """
    return float(1 / np.median(np.diff(time_s))) if len(time_s) > 1 else float("nan")


def corrected_cutoff_hz(cutoff_hz: float, rate_hz: float) -> float:
    """Cut-off to design one pass for, so that two passes have gain 0.7071 at `cutoff_hz` [Hz].

    Winter's correction on the pre-warped frequency. Raises ValueError at or above half the rate.
    """
    if not 0 < cutoff_hz < rate_hz / 2:
        raise ValueError(f"the cut-off {cutoff_hz} Hz must lie between 0 and half the rate of {rate_hz} Hz")
    warped = np.tan(np.pi * cutoff_hz / rate_hz) / TWO_PASS_FACTOR
    return float(rate_hz / np.pi * np.arctan(warped))


def stretches(time_s: Floats, values: Floats, longest_gap_s: float) -> list[slice]:
    """Stretches of samples without a gap longer than `longest_gap_s` [s].

    time_s (T,) increasing [s]; values (T,), missing is NaN. Each slice starts and ends on a measured
    sample. The time from one measured sample to the next counts as the gap, so `longest_gap_s` must
    exceed the usual time between samples.
    """
    measured = np.flatnonzero(np.isfinite(values))
    if measured.size == 0:
        return []
    breaks = np.flatnonzero(np.diff(time_s[measured]) > longest_gap_s) + 1
    return [slice(int(part[0]), int(part[-1]) + 1) for part in np.split(measured, breaks)]


def resample(time_s: Floats, values: Floats, rate_hz: float, longest_gap_s: float) -> tuple[Floats, Floats]:
    """The same signal on a uniform time base: (time_s (N,), values (N,)).

    time_s (T,) increasing [s]; values (T,), missing is NaN. Straight lines join neighbours; times
    inside a gap longer than `longest_gap_s` [s], before the first or after the last measured sample
    come out as NaN.
    """
    count = int(np.floor((time_s[-1] - time_s[0]) * rate_hz + 1e-6)) + 1
    grid = time_s[0] + np.arange(count) / rate_hz
    return grid, at_times(grid, time_s, values, longest_gap_s)


def at_times(wanted_s: Floats, time_s: Floats, values: Floats, longest_gap_s: float) -> Floats:
    """The signal at other times, (N,) for wanted_s (N,) [s]; missing where `resample` says."""
    out = np.full(len(wanted_s), np.nan)
    for part in stretches(time_s, values, longest_gap_s):
        inside = (wanted_s >= time_s[part.start] - 1e-9) & (wanted_s <= time_s[part.stop - 1] + 1e-9)
        out[inside] = _join(wanted_s[inside], time_s[part], values[part])
    return out


def without_spikes(values: Floats) -> Floats:
    """Values (T, k) as the median of each sample and its two neighbours; missing is NaN, in and out."""
    padded = np.pad(values, ((1, 1), (0, 0)), constant_values=np.nan)
    out, known = np.array(values), np.isfinite(values)
    out[known] = np.nanmedian(np.stack([padded[:-2], values, padded[2:]])[:, known], axis=0)
    return out


def smooth(time_s: Floats, values: Floats, cutoff_hz: float, longest_gap_s: float) -> Floats:
    """Low-pass filtered values at the same times: fourth order, no lag, gain 0.7071 at `cutoff_hz`.

    time_s (T,) increasing [s]; values (T, ...), missing is NaN; each column is filtered on its own.
    Short gaps are bridged, longer ones than `longest_gap_s` [s] stay NaN and are not filtered across.
    Samples too sparse to hold anything above `cutoff_hz` [Hz] come back bridged but unfiltered.
    """
    columns = values.reshape(len(values), -1)
    rate_hz = sample_rate_hz(time_s)
    out = np.full(columns.shape, np.nan)
    for column in range(columns.shape[1]):
        for part in stretches(time_s, columns[:, column], longest_gap_s):
            out[part, column] = _smooth_stretch(time_s[part], columns[part, column], cutoff_hz, rate_hz)
    return out.reshape(values.shape)


def _smooth_stretch(time_s: Floats, values: Floats, cutoff_hz: float, rate_hz: float) -> Floats:
    """One stretch without long gaps, filtered on a uniform base that starts and ends with it."""
    if len(values) == 1:
        return values
    steps = max(1, round((time_s[-1] - time_s[0]) * rate_hz))
    # The base spans the stretch exactly, so an evenly sampled clip is not interpolated at all.
    grid = np.linspace(time_s[0], time_s[-1], steps + 1)
    even = _join(grid, time_s, values)
    own_rate_hz = steps / (time_s[-1] - time_s[0])
    if cutoff_hz < own_rate_hz / 2:
        one_pass = _one_pass(cutoff_hz, own_rate_hz)
        # A long pad lets the filter settle before the first sample.
        pad = min(round(3 * own_rate_hz / cutoff_hz), steps)
        even = sosfiltfilt(one_pass, even, padlen=pad)
    return np.interp(time_s, grid, even)


@lru_cache(maxsize=256)  # designing takes longer than filtering, and many signals share one time base
def _one_pass(cutoff_hz: float, rate_hz: float) -> Floats:
    """Second-order sections of one of the two passes."""
    return np.asarray(butter(2, corrected_cutoff_hz(cutoff_hz, rate_hz), fs=rate_hz, output="sos"))


def _join(grid: Floats, time_s: Floats, values: Floats) -> Floats:
    """Values on `grid`, by straight lines between the measured samples."""
    measured = np.isfinite(values)
    return np.interp(grid, time_s[measured], values[measured])
