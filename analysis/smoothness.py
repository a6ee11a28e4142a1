"""How smooth a movement is, from its speed over time.

No norm exists for floor exercise: compare a person with themselves, at the same tempo. From video prefer
SPARC; jerk taken from landmarks mostly measures their noise.
"""

import math

import numpy as np

from analysis.filters import resample, sample_rate_hz
from analysis.records import Floats

SPARC_HIGHEST_HZ = 10.0  # as in the method's own published code (Balasubramanian 2015)
SPARC_THRESHOLD = 0.05
SPARC_ZERO_PADDING = 4
# Fewer samples than this describe no speed profile (common practice, no source).
FEWEST_SAMPLES = 8


def sparc(speed: Floats, rate_hz: float) -> float:
    """Spectral arc length of a speed profile, (N,) evenly sampled, any unit; nearer 0 is smoother.

    Balasubramanian 2015, J NeuroEng Rehabil 12:112. NaN where a sample is missing, there are
    fewer than 8, or nothing moved.
    """
    if not _usable(speed):
        return math.nan
    length = 2 ** (math.ceil(math.log2(len(speed))) + SPARC_ZERO_PADDING)
    hertz = np.arange(length) * rate_hz / length
    size = np.abs(np.fft.fft(speed, length))
    size = size / size.max()
    kept = hertz <= min(SPARC_HIGHEST_HZ, rate_hz / 2)  # beyond it the spectrum is its own mirror
    above = np.flatnonzero(size[kept] >= SPARC_THRESHOLD)
    hertz, size = hertz[above[0] : above[-1] + 1], size[above[0] : above[-1] + 1]
    return float(-np.sum(np.hypot(np.diff(hertz) / (hertz[-1] - hertz[0]), np.diff(size))))


def log_dimensionless_jerk(speed: Floats, rate_hz: float) -> float:
    """LDLJ of a speed profile, (N,) evenly sampled, any unit; nearer 0 (and above) is smoother.

    -ln(T^3 / peak^2 x integral of the squared second derivative of speed), Balasubramanian 2015. A half
    cosine beats the minimum-jerk movement here, so there is no ceiling to judge by. NaN as in `sparc`.
    """
    if not _usable(speed):
        return math.nan
    duration_s = len(speed) / rate_hz
    jerk = np.diff(speed, 2) * rate_hz**2
    return float(-math.log(duration_s**3 / np.max(np.abs(speed)) ** 2 * np.sum(jerk**2) / rate_hz))


def angle_smoothness(time_s: Floats, angle_deg: Floats, longest_gap_s: float) -> float:
    """SPARC of the speed of one movement's angle; NaN where a gap or a short movement hides it.

    time_s (T,) increasing [s]; angle_deg (T,), already smoothed, missing is NaN.
    """
    if len(time_s) < FEWEST_SAMPLES:
        return math.nan
    rate_hz = sample_rate_hz(time_s)
    _, even = resample(time_s, angle_deg, rate_hz, longest_gap_s)
    return sparc(np.abs(np.gradient(even, 1 / rate_hz)), rate_hz)


def _usable(speed: Floats) -> bool:
    return len(speed) >= FEWEST_SAMPLES and bool(np.all(np.isfinite(speed))) and bool(np.any(speed != 0))
