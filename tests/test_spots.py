"""Where the feet are along the mat: by hand from landmarks and a body of known length."""

import numpy as np
import pytest
from fake_report import observations

from analysis import findings
from analysis.conventions import SIDES
from analysis.records import JOINTS, LANDMARKS, Floats, Skeleton

TRUNK_CM = 50.0
TIMES = np.arange(10) / 10


def body() -> Skeleton:
    joints = np.zeros((len(TIMES), len(JOINTS), 3))
    for side in SIDES:
        joints[:, JOINTS.index(f"shoulder_{side}"), 1] = TRUNK_CM
    return Skeleton(TIMES, {}, joints)


def picture(towards_head: Floats, trunk_px: float, ankle: Floats) -> Floats:
    """Landmarks (T, 33, 2) [px] of somebody whose trunk points there; the ankle moves along it by so much."""
    px = np.zeros((len(TIMES), 33, 2))
    for side in SIDES:
        px[:, LANDMARKS[f"shoulder_{side}"]] = trunk_px * towards_head
        px[:, LANDMARKS[f"ankle_{side}"]] = np.outer(ankle, towards_head)
    return px


@pytest.mark.parametrize("trunk_px", [100.0, 400.0])
@pytest.mark.parametrize("towards_head", [(1.0, 0.0), (-1.0, 0.0), (-0.6, 0.8)])
def test_the_trunk_is_the_measure(towards_head: tuple[float, float], trunk_px: float) -> None:
    """A fifth of the trunk further from the head is 10 cm less, whichever way the client lies."""
    ankle = np.where(np.arange(10) < 5, -1.0, -1.2) * trunk_px
    seen = observations(TIMES, picture(np.array(towards_head), trunk_px, ankle))
    spots = findings.spots_cm(seen, body())
    for side in SIDES:
        assert np.diff(spots[f"ankle_{side}"])[4] == pytest.approx(-10.0)
        assert np.ptp(spots[f"ankle_{side}"]) == pytest.approx(10.0)


def test_each_foot_counts_from_where_it_mostly_is() -> None:
    px = picture(np.array([1.0, 0.0]), 100.0, np.array([0.0] * 7 + [-20.0] * 3))
    px[:, LANDMARKS["ankle_left"]] += 35.0
    spots = findings.spots_cm(observations(TIMES, px), body())
    assert spots["ankle_left"] == pytest.approx(np.array([0.0] * 7 + [-10.0] * 3))
    assert spots["ankle_left"] == pytest.approx(spots["ankle_right"])


def test_a_hidden_ankle_is_missing() -> None:
    px = picture(np.array([1.0, 0.0]), 100.0, np.zeros(10))
    px[3, LANDMARKS["ankle_left"]] = np.nan
    spots = findings.spots_cm(observations(TIMES, px), body())
    assert np.flatnonzero(np.isnan(spots["ankle_left"])).tolist() == [3]
    assert np.isfinite(spots["ankle_right"]).all()


def test_without_a_trunk_there_is_no_measure() -> None:
    px = picture(np.array([1.0, 0.0]), 100.0, np.zeros(10))
    px[:, LANDMARKS["hip_left"]] = np.nan
    assert findings.spots_cm(observations(TIMES, px), body()) == {}
