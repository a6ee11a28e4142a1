"""Legs that a pose model takes for one another: one is raised, the other is planted."""

from dataclasses import replace

import numpy as np
import pytest
from fake_report import observations

from analysis.observe.legs import lost, told_apart
from analysis.records import Observations

LEFT, RIGHT = [25, 27, 29, 31], [26, 28, 30, 32]
TIME_S = np.arange(0, 8, 1 / 12)
LEG_PX = 80.0
HELD = np.flatnonzero((TIME_S > 3) & (TIME_S < 5))


def legs(phase_s: float = 1.5) -> Observations:
    """The left shank goes from straight down to level and back, held from 3 to 5 s; knees side by side."""
    out = np.clip((TIME_S - 3 + phase_s) / phase_s, 0, 1) * np.clip((5 + phase_s - TIME_S) / phase_s, 0, 1)
    bent = np.radians(90 * (3 * out**2 - 2 * out**3))
    px = np.full((len(TIME_S), 33, 2), 300.0)
    for points, angle, knee in ((LEFT, bent, 400.0), (RIGHT, 0 * bent, 405.0)):
        down = np.stack([np.sin(angle), np.cos(angle)], axis=1)
        for k, share in enumerate((0.0, 1.0, 1.1, 1.2)):
            px[:, points[k]] = np.array([knee, 200.0]) + share * LEG_PX * down
    cm = np.dstack([px, 0 * px[..., :1]])
    seen = np.tile(np.linspace(0.5, 1.0, 33), (len(TIME_S), 1))
    return replace(observations(TIME_S, px), landmarks_cm=cm, visibility=seen)


def mistaken(seen: Observations, rows: np.ndarray) -> Observations:
    """The same with left and right changed in some pictures."""
    order = np.arange(33)
    order[[*LEFT, *RIGHT]] = [*RIGHT, *LEFT]
    fields = {}
    for name in ("landmarks_px", "landmarks_cm", "visibility"):
        values = np.array(getattr(seen, name))
        values[rows] = values[rows][:, order]
        fields[name] = values
    return replace(seen, **fields)


@pytest.mark.parametrize("pictures", [1, 2, 12])
def test_legs_taken_for_one_another_are_changed_back(pictures: int) -> None:
    seen = legs()
    told = told_apart(mistaken(seen, HELD[3 : 3 + pictures]))
    for name in ("landmarks_px", "landmarks_cm", "visibility"):
        np.testing.assert_array_equal(getattr(told, name), getattr(seen, name))


@pytest.mark.parametrize("phase_s", [1.5, 0.4])
def test_legs_that_were_told_apart_stay_as_they_are_however_quick(phase_s: float) -> None:
    seen = legs(phase_s)
    assert told_apart(seen) is seen
    assert not any(rows.any() for rows in lost(seen).values())


def test_a_leg_that_jumps_away_and_back_is_lost_and_the_other_is_not() -> None:
    """The left leg is taken for the right one, which is seen twice."""
    seen, rows = legs(), HELD[5:9]
    px = np.array(seen.landmarks_px)
    px[np.ix_(rows, LEFT)] = px[np.ix_(rows, RIGHT)]
    twice = replace(seen, landmarks_px=px)
    assert told_apart(twice) is twice
    np.testing.assert_array_equal(np.flatnonzero(lost(twice)["left"]), rows)
    assert not lost(twice)["right"].any()


def test_without_a_client_there_is_nothing_to_tell() -> None:
    seen = legs()
    empty = replace(seen, landmarks_px=np.full_like(seen.landmarks_px, np.nan))
    assert told_apart(empty) is empty
    assert not any(rows.any() for rows in lost(empty).values())
