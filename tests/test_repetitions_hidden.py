"""Repetitions of the leg that the other one hides, and taps, which turn at once."""

from dataclasses import replace

import numpy as np
import pytest
from fake_report import observations

from analysis import exercises
from analysis.findings import judge
from analysis.records import LANDMARKS, Floats, Motion, Observations
from analysis.repetitions import Span, added, timed, without_hidden

T = np.arange(0, 30, 0.08)
TRUNK_PX = 250.0
LEFT, RIGHT = (2.0, 10.0, 18.0), (6.0, 14.0, 22.0)  # starts of taps that take 3 s [s]
TAKES_S = 3.0


def tap(start: float, flat: float = 1.0) -> Floats:
    """A way out and back (T,), minimum jerk; `flat` below 1 cuts off the far end, as of a hidden foot."""
    share = np.clip((T - start) / TAKES_S, 0, 1)
    out = 1 - np.abs(2 * share - 1)
    return np.minimum(out**3 * (10 - 15 * out + 6 * out**2), flat) / flat


def seen(left: Floats, right: Floats) -> Observations:
    """A client on the back whose feet go along the mat by so much of the trunk's length."""
    rng = np.random.default_rng(1)
    px = np.full((len(T), 33, 2), 300.0)
    px[:, [LANDMARKS["shoulder_left"], LANDMARKS["shoulder_right"]], 0] -= TRUNK_PX
    for side, way in (("left", left), ("right", right)):
        px[:, LANDMARKS[f"toe_{side}"], 0] += TRUNK_PX * (1.5 + way)
    return observations(T, px + rng.normal(0, 1.0, px.shape))


def spans(starts: tuple[float, ...], side: str = "left") -> list[Span]:
    middle = TAKES_S / 2
    return [Span(side, s, s + middle, s + middle, s + TAKES_S, 40.0, 1.0) for s in starts]  # type: ignore[arg-type]


def ways(starts: tuple[float, ...], size: float, flat: float = 1.0) -> Floats:
    return np.sum([size * tap(s, flat) for s in starts], axis=0)


def test_taps_of_the_hidden_leg_are_found_by_its_foot() -> None:
    found = added(spans(LEFT), seen(ways(LEFT, 0.4), ways(RIGHT, 0.2)), exercises.load("toe_tap"))
    assert [s.side for s in found] == ["left", "right"] * 3
    assert [s.start_s for s in found[1::2]] == pytest.approx(RIGHT, abs=0.3)
    assert [s.hidden for s in found] == [False, True] * 3


def test_how_far_a_hidden_leg_moved_is_not_told() -> None:
    exercise = exercises.load("toe_tap")
    shown, little = ways(LEFT, 40.0), ways(RIGHT, 6.0)
    signals = {"knee_flexion_left": 90 - shown, "knee_flexion_right": 90 - little, "pelvic_tilt": 0 * T}
    motion = Motion(T, signals, dict.fromkeys(signals, 2.0), dict.fromkeys(signals, 2.0), "card")
    found = added(spans(LEFT), seen(ways(LEFT, 0.4), ways(RIGHT, 0.2)), exercise)
    told = without_hidden(motion, found)
    in_right = np.any([(s.start_s <= T) & (s.end_s >= T) for s in found if s.hidden], axis=0)
    assert np.isnan(told.values["knee_flexion_right"]).tolist() == in_right.tolist()
    assert all(np.isfinite(told.values[name]).all() for name in ("knee_flexion_left", "pelvic_tilt"))
    judged = judge(found, told, exercise).repetitions
    assert [r.verdict for r in judged] == ["sound", "not_measured"] * 3
    assert [r.measures.range_deg is None for r in judged] == [False, True] * 3
    quick = [replace(s, end_s=s.leave_s + 0.3) if i == 3 else s for i, s in enumerate(found)]
    assert [f.kind for f in judge(quick, told, exercise).repetitions[3].findings] == ["rushed"]


@pytest.mark.parametrize(
    ("why", "left", "right", "angles"),
    [
        ("nothing moves there", ways(LEFT, 0.4), 0 * T, LEFT),
        ("too small", ways(LEFT, 0.4), ways(RIGHT, 0.04), LEFT),
        ("both feet move", ways((*LEFT, *RIGHT), 0.4), ways(RIGHT, 0.3), LEFT),
        ("far from the set", ways((2.0, 6.0), 0.4), ways((22.0,), 0.3), (2.0, 6.0)),
        ("much slower", ways(LEFT, 0.4), 0.3 * np.clip(np.sin((T - 5) / 6), 0, 1), LEFT),
        ("too few to compare with", ways((2.0,), 0.4), ways((6.0,), 0.3), (2.0,)),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_anything_else_is_not_added(why: str, left: Floats, right: Floats, angles: tuple[float, ...]) -> None:
    given = spans(angles)
    assert added(given, seen(left, right), exercises.load("toe_tap")) == tuple(given), why


def test_exercises_of_one_side_get_nothing_added() -> None:
    given = spans(LEFT)
    assert added(given, seen(ways(LEFT, 0.4), ways(RIGHT, 0.2)), exercises.load("clam")) == tuple(given)


def test_a_tap_turns_at_once_however_little_of_its_end_is_seen() -> None:
    exercise = exercises.load("toe_tap")
    whole, cut = (timed(spans(LEFT), seen(ways(LEFT, 0.4, flat), 0 * T), exercise) for flat in (1.0, 0.5))
    pause = exercise.movement.longest_pause_s
    assert pause is not None
    for a, b in zip(whole, cut, strict=True):
        assert b.leave_s - b.arrive_s <= pause + 1e-6
        assert b.turn_s == pytest.approx(a.turn_s, abs=0.15)
    open_ended = exercise.model_copy(
        update={"movement": exercise.movement.model_copy(update={"longest_pause_s": None})}
    )
    held = timed(spans(LEFT), seen(ways(LEFT, 0.4, 0.5), 0 * T), open_ended)
    assert all(s.leave_s - s.arrive_s > 2 * pause for s in held)


def test_the_order_of_time_is_kept() -> None:
    given = [replace(s, height=10.0) for s in spans(LEFT)]
    found = added(given, seen(ways(LEFT, 0.4), ways((4.8, 25.0), 0.0)), exercises.load("toe_tap"))
    assert list(found) == sorted(found, key=lambda s: s.start_s)
