"""Repetitions timed by a point of the body that moves in the picture."""

from dataclasses import replace

import numpy as np
import pytest
from fake_report import observations
from made_sets import spans, times

from analysis import exercises, repetitions
from analysis.conventions import SIDES
from analysis.records import LANDMARKS, Floats, Observations
from analysis.repetitions import Span, course

TOE_TAP = exercises.load("toe_tap")
REST_PX, TAP_PX = np.array([300.0, 500.0]), np.array([180.0, 540.0])


def seen(done: list[Span], noise_px: float = 1.0) -> Observations:
    """The toes as they go to their far end and back with the repetitions of their side (T, 33, 2) [px]."""
    t = times(done)
    px = np.full((len(t), 33, 2), 400.0)
    for side in SIDES:
        way = np.sum([course.progress(t, s) for s in done if s.side == side], axis=0)
        px[:, LANDMARKS[f"toe_{side}"]] = REST_PX + way[:, None] * (TAP_PX - REST_PX)
    return observations(t, px + np.random.default_rng(5).normal(0, noise_px, px.shape))


def late(done: list[Span], by_s: float) -> list[Span]:
    """The repetitions as angles found them: begun too late, ended too early."""
    return [replace(s, start_s=s.start_s + by_s, end_s=s.end_s - by_s) for s in done]


def coarse(given: tuple[Span, ...]) -> tuple[Span, ...]:
    """The repetitions as they were, known by angles alone."""
    return tuple(replace(s, coarse=True) for s in given)


def off_s(found: tuple[Span, ...], done: list[Span]) -> Floats:
    return np.array([[f.start_s - s.start_s, f.end_s - s.end_s] for f, s in zip(found, done, strict=True)])


def test_the_times_are_those_of_the_point() -> None:
    done = spans()
    found = repetitions.timed(late(done, 0.4), seen(done), TOE_TAP)
    assert np.abs(off_s(found, done)).mean() < 0.15
    assert [f.side for f in found] == [s.side for s in done]
    for f, s in zip(found, done, strict=True):
        assert f.arrive_s == pytest.approx(s.arrive_s, abs=0.4)
        assert f.leave_s == pytest.approx(s.leave_s, abs=0.4)
        assert (f.height, f.measured) == (s.height, s.measured)


@pytest.mark.parametrize("name", [n for n in exercises.names() if not exercises.load(n).movement.marks])
def test_without_marks_the_times_of_the_angles_stay(name: str) -> None:
    done = spans()
    given = tuple(late(done, 0.4))
    assert repetitions.timed(given, seen(done), exercises.load(name)) == given


def test_a_point_that_is_hidden_leaves_the_times_as_they_were() -> None:
    done = spans()
    pictures = seen(done)
    px = np.array(pictures.landmarks_px)
    px[:, LANDMARKS["toe_left"]] = np.nan
    given = tuple(late(done, 0.4))
    found = repetitions.timed(given, replace(pictures, landmarks_px=px), TOE_TAP)
    for before, after in zip(given, found, strict=True):
        assert (after == replace(before, coarse=True)) == after.coarse == (before.side == "left")


def test_a_movement_of_another_length_is_another_movement() -> None:
    """Angles that saw a third of it do not mean what the point did."""
    done = spans()
    given = tuple(replace(s, start_s=s.turn_s - 0.7, end_s=s.turn_s + 0.7) for s in done)
    assert repetitions.timed(given, seen(done), TOE_TAP) == coarse(given)


@pytest.mark.parametrize(("way_px", "moves"), [(0.0, False), (6.0, False), (20.0, True)])
def test_a_point_that_hardly_moves_says_nothing(way_px: float, moves: bool) -> None:
    """9 px is 3 % of a trunk of 300 px; less may be noise, however well it happens to fit."""
    done = spans()
    pictures = seen(done)
    px = np.array(pictures.landmarks_px)
    for side in SIDES:
        px[:, LANDMARKS[f"toe_{side}"]] = REST_PX + way_px / np.linalg.norm(TAP_PX - REST_PX) * (
            px[:, LANDMARKS[f"toe_{side}"]] - REST_PX
        )
        px[:, LANDMARKS[f"hip_{side}"]] = [400.0, 500.0]
        px[:, LANDMARKS[f"shoulder_{side}"]] = [700.0, 500.0]
    given = tuple(late(done, 0.4))
    found = repetitions.timed(given, replace(pictures, landmarks_px=px), TOE_TAP)
    assert [f != g for f, g in zip(found, coarse(given), strict=True)] == [moves] * len(given)


def test_the_times_are_plain_numbers() -> None:
    for f in repetitions.timed(late(spans(), 0.4), seen(spans()), TOE_TAP):
        assert {type(t) for t in (f.start_s, f.arrive_s, f.leave_s, f.end_s)} == {float}


def test_a_point_taken_for_the_other_leg_jumps_and_times_nothing() -> None:
    """It is where the other foot is, then back: as quick as no leg goes."""
    done = spans()
    pictures = seen(done)
    px, t = np.array(pictures.landmarks_px), times(done)
    for s in done:
        there = (t >= s.start_s + 0.8) & (t <= s.end_s - 0.8)
        px[:, LANDMARKS[f"toe_{s.side}"]][there] = TAP_PX
        px[:, LANDMARKS[f"toe_{s.side}"]][(t >= s.start_s - 0.5) & (t <= s.end_s + 0.5) & ~there] = REST_PX
    given = tuple(late(done, 0.4))
    assert repetitions.timed(given, replace(pictures, landmarks_px=px), TOE_TAP) == coarse(given)


def test_an_unfinished_one_stays_as_it_is() -> None:
    done = spans()
    given = late(done, 0.4)
    given[-1] = replace(given[-1], complete=False)
    assert repetitions.timed(given, seen(done), TOE_TAP)[-1] == replace(given[-1], coarse=True)


def test_the_points_of_every_exercise_are_landmarks() -> None:
    for name in exercises.names():
        for mark in exercises.load(name).movement.marks:
            assert {mark.format(side=side) for side in SIDES} <= set(LANDMARKS)
