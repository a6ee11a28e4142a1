"""A still start that the pose model misreads: nothing moves in the pictures, and later ones show the body."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.observe.rest import MOVES, start_found, strays
from analysis.records import Observations
from tests.fake_report import observations

TIME_S = np.arange(0, 16, 1 / 12)
# At rest to 3 s, from 6 to 9 and from 12 to 15 s.
REACH = np.clip(np.sin(2 * np.pi * (TIME_S - 3) / 6), 0, None) * (TIME_S > 3)
START = np.flatnonzero(TIME_S < 2.5)
LEFT_LEG = [25, 27, 29, 31]
FIELDS = ("landmarks_px", "landmarks_cm", "visibility")


def lying() -> Observations:
    """Somebody 400 px long; the left leg goes out twice, by 120 px; looked at for movement twice a second."""
    px = np.zeros((len(TIME_S), 33, 2))
    px += np.column_stack([np.linspace(100, 500, 33), np.full(33, 200.0)])
    px[:, LEFT_LEG, 1] -= 120 * REACH[:, None]
    moved = np.full(len(TIME_S), np.nan)
    moved[::6] = np.where(REACH[::6] > 0.02, 0.2, 0.001)
    whole = replace(observations(TIME_S, px), client_moved=moved)
    return replace(whole, landmarks_cm=np.dstack([px, 0 * px[..., :1]]) / 4)


def misread(seen: Observations, rows: np.ndarray, by_px: float = 90.0) -> Observations:
    """The same with the whole body elsewhere in some pictures."""
    px, cm = np.array(seen.landmarks_px), np.array(seen.landmarks_cm)
    px[rows] += np.array([by_px, -by_px])
    cm[rows] += 20.0
    return replace(seen, landmarks_px=px, landmarks_cm=cm)


def test_a_misread_start_is_taken_from_later_pictures_that_show_the_same() -> None:
    seen = lying()
    found = start_found(misread(seen, START))
    for name in FIELDS:
        np.testing.assert_allclose(getattr(found, name), getattr(seen, name))


def test_the_body_is_missing_until_the_pose_model_has_its_hold() -> None:
    seen, held_from = lying(), np.searchsorted(TIME_S, 4.5)
    found = start_found(misread(seen, np.arange(held_from)))
    still = TIME_S <= 3.0
    np.testing.assert_allclose(found.landmarks_px[still], seen.landmarks_px[still])
    assert np.isnan(found.landmarks_px[~still][: held_from - still.sum()]).all()
    np.testing.assert_allclose(found.landmarks_px[held_from:], seen.landmarks_px[held_from:])


def test_a_start_in_which_nobody_else_is_found_is_left_as_it_is() -> None:
    """Unseen is not misread, and a start that was read well stays what it was."""
    seen = lying()
    px = np.array(seen.landmarks_px)
    px[START] = np.nan
    unseen = replace(seen, landmarks_px=px)
    assert start_found(seen) is seen
    assert start_found(unseen) is unseen


def test_a_start_in_movement_is_missing_where_it_is_misread() -> None:
    """The first picture that shows what the start shows comes after movement."""
    seen = lying()
    moved = np.array(seen.client_moved)
    moved[:31:6] = 0.2
    early = replace(seen, client_moved=moved)
    found = start_found(misread(early, START))
    assert np.isnan(found.landmarks_px[START]).all()
    np.testing.assert_allclose(found.landmarks_px[len(START) :], seen.landmarks_px[len(START) :])


def test_where_the_pictures_do_not_tell_movement_nothing_is_changed() -> None:
    wrong = misread(lying(), START)
    untold = replace(wrong, client_moved=np.full(len(TIME_S), np.nan))
    assert start_found(untold) is untold
    assert np.isnan(strays(untold))


def test_pictures_of_rest_that_do_not_agree_mend_nothing() -> None:
    """Half of them show the body elsewhere, each in another place."""
    seen = lying()
    rest = np.flatnonzero(seen.client_moved < MOVES)
    wrong = misread(seen, START)
    for k, row in enumerate(rest[rest > START[-1]][::2]):
        wrong = misread(wrong, np.array([row]), 60.0 + 30.0 * k)
    assert start_found(wrong) is wrong


@pytest.mark.parametrize("pictures", [0, 3])
def test_how_often_the_body_strays_is_counted_where_the_pictures_show_the_same(pictures: int) -> None:
    seen = lying()
    rest = np.flatnonzero((seen.client_moved < MOVES) & (TIME_S > 0.8))
    assert strays(misread(seen, rest[5 : 5 + pictures])) == pytest.approx(pictures / len(rest))
