"""Sets of which the angles show nothing, or only a part, and the picture everything."""

from dataclasses import replace

import numpy as np
import pytest
from fake_report import observations

from analysis import exercises
from analysis.records import LANDMARKS, Floats, Motion, Observations
from analysis.repetitions import Span, completed, cut, shown, with_other_way

T = np.arange(0, 30, 0.08)
TRUNK_PX = 250.0
LEFT, RIGHT = (2.0, 10.0, 18.0), (6.0, 14.0, 22.0)  # starts of movements that take 3 s [s]
TAKES_S = 3.0
EVERYWHERE = (*LEFT, *RIGHT)


def ways(starts: tuple[float, ...], size: float) -> Floats:
    """Ways out and back (T,), minimum jerk."""
    share = np.clip((T - np.array(starts)[:, None]) / TAKES_S, 0, 1)
    out = 1 - np.abs(2 * share - 1)
    return size * (out**3 * (10 - 15 * out + 6 * out**2)).sum(0)


def seen(**moved: Floats) -> Observations:
    """A client whose landmarks go sideways in the picture by so much of the trunk's length."""
    rng = np.random.default_rng(1)
    px = np.full((len(T), 33, 2), 300.0)
    px[:, [LANDMARKS["shoulder_left"], LANDMARKS["shoulder_right"]], 0] -= TRUNK_PX
    for name, way in moved.items():
        px[:, LANDMARKS[name], 0] += TRUNK_PX * way
    return observations(T, px + rng.normal(0, 1.0, px.shape))


def motion(**degrees: Floats) -> Motion:
    """Angles that stay where they are, but for those given."""
    still = {
        f"{joint}_{side}": 90 + 0 * T
        for joint in ("knee_flexion", "hip_flexion")
        for side in ("left", "right")
    }
    signals = still | degrees
    return Motion(T, signals, dict.fromkeys(signals, 2.0), dict.fromkeys(signals, 2.0), "card")


def test_small_taps_are_counted_where_no_angle_moves() -> None:
    exercise = exercises.load("toe_tap")
    found = cut(motion(), seen(toe_left=ways(LEFT, 0.2), toe_right=ways(RIGHT, 0.3)), exercise)
    assert [s.side for s in found] == ["left", "right"] * 3
    assert [s.start_s for s in found] == pytest.approx(sorted(EVERYWHERE), abs=0.3)
    assert [s.duration_s for s in found] == pytest.approx([TAKES_S] * 6, abs=0.5)
    assert all(s.hidden for s in found)


@pytest.mark.parametrize(
    ("why", "left", "right"),
    [
        ("still", 0 * T, 0 * T),
        ("too small", ways(EVERYWHERE, 0.07), 0 * T),
        ("too few", ways(LEFT[:2], 0.3), 0 * T),
        ("both feet", ways(EVERYWHERE, 0.3), ways(EVERYWHERE, 0.28)),
        ("not of one kind", ways((2.0,), 0.2) + ways((8.0,), 0.6) + ways((14.0,), 2.0), 0 * T),
        ("does not come back", 0.3 * np.clip(T / 10 - 0.5, 0, 1), 0 * T),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_anything_else_is_no_set(why: str, left: Floats, right: Floats) -> None:
    given = seen(toe_left=left, toe_right=right)
    assert shown(motion(), given, exercises.load("toe_tap")) == (), why


def test_a_leg_that_seems_back_at_its_far_end_moved_once() -> None:
    """Behind the other leg, its angle shows the way out and the way back as two movements."""
    exercise = exercises.load("toe_tap")
    pictures = shown(motion(), seen(toe_left=ways(LEFT, 0.3)), exercise)
    halves = [
        Span("left", s + dt, s + dt + 0.5, s + dt + 0.5, s + dt + 1, 25.0, 1.0)
        for s in LEFT
        for dt in (0.3, 1.7)
    ]
    found = completed(halves, pictures)
    assert [s.start_s for s in found] == pytest.approx(LEFT, abs=0.3)
    assert all(s.hidden for s in found)
    middles = [Span("left", s + 0.9, s + 1.5, s + 1.5, s + 2.1, 25.0, 1.0) for s in LEFT]
    kept = completed(middles, pictures)
    assert [(s.hidden, s.height, s.measured) for s in kept] == [(False, 25.0, 1.0)] * 3
    assert [s.start_s for s in kept] == pytest.approx(LEFT, abs=0.3)
    whole = [replace(s, start_s=s.start_s - 0.9, end_s=s.end_s + 0.9) for s in middles]
    assert completed(whole, pictures) == tuple(whole)


def test_rolls_to_the_other_side_are_found_by_where_the_knees_go() -> None:
    exercise = exercises.load("knee_rolls")
    both_ways = ways(LEFT, 0.5) - ways(RIGHT, 0.3)
    given = seen(knee_left=both_ways, knee_right=both_ways)
    shows = [Span("left", s, s + 1.5, s + 1.5, s + TAKES_S, 15.0, 1.0) for s in LEFT]
    found = with_other_way(shows, given, exercise)
    assert [(s.side, s.hidden) for s in found] == [("left", False), ("right", True)] * 3
    assert [s.start_s for s in found[1::2]] == pytest.approx(RIGHT, abs=0.3)
    assert with_other_way(shows, given, exercise, side="left") == tuple(shows)
    one_way = seen(knee_left=ways(EVERYWHERE, 0.5), knee_right=ways(EVERYWHERE, 0.5))
    assert with_other_way(shows, one_way, exercise) == tuple(shows)
