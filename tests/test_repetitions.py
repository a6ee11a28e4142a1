"""Repetitions in simulated sets: each found once, with its side, direction and times; all else is none."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import made_sets
import numpy as np
import pytest
from scoring import pair
from simulated import MODERATE, NONE, OTHERS, Errors, Performance, measure, perform

from analysis import exercises, findings, repetitions
from analysis.conventions import SIDES
from analysis.records import Floats, Motion
from analysis.repetitions import Span
from analysis.repetitions.position import UP_DEG, in_position

every = pytest.mark.parametrize("name", exercises.names())
SEED = 1
done = cache(perform)


@cache
def measured(name: str, seed: int = SEED, errors: Errors = MODERATE) -> Motion:
    return measure(done(name, seed), errors, seed)[0]


def find(motion: Motion, name: str) -> tuple[Span, ...]:
    return repetitions.find(motion, exercises.load(name))


def changed(motion: Motion, change: Callable[[str, Floats], Floats]) -> Motion:
    """The same motion with every signal (T,) changed, by its name."""
    return replace(motion, values={name: change(name, v.copy()) for name, v in motion.values.items()})


def until(motion: Motion, end_s: float) -> Motion:
    """The motion of a clip that ends there."""
    early = motion.time_s < end_s
    cut = changed(motion, lambda _, v: v[early])
    return replace(cut, time_s=motion.time_s[early])


# ------------------------------------------------------------------------------- what is found


@every
@pytest.mark.parametrize("errors", [NONE, MODERATE], ids=["exact", "measured"])
def test_every_repetition_is_found_once_with_its_side(name: str, errors: Errors) -> None:
    """Alternating sides, holds, circles and tuck-arch cycles alike."""
    performed = done(name, SEED)
    found = find(measured(name, SEED, errors), name)
    assert [f.side for f in found] == [rep.side for rep in performed.reps]
    assert all(f.complete for f in found)
    assert all(f.measured > 0.8 for f in found)


def test_starts_and_ends_are_those_of_the_movement() -> None:
    """A quarter of a second on average over the exercises, and nowhere much more."""
    off = {}
    for name in exercises.names():
        paired = pair(find(measured(name), name), done(name, SEED).reps)
        off[name] = np.mean([[abs(f.start_s - r.start), abs(f.end_s - r.end)] for r, f in paired if f])
    assert np.mean(list(off.values())) <= 0.25
    assert max(off.values()) <= 0.4


def test_beside_a_set_a_movement_counts_that_alone_would_be_too_small() -> None:
    """Toe taps of 36 deg, and one of 11: less than could begin a set, and more than the least within one."""
    small, large = 11.0, 36.0
    assert small < exercises.load("toe_tap").movement.least_deg < large
    spans = made_sets.spans()
    one_small = dict.fromkeys(range(5), large) | {5: small, -1: 0.0}
    knees = {f"knee_flexion_{s}": 100 - made_sets.followed(spans, one_small, s) for s in SIDES}
    assert len(find(made_sets.motion(spans, knees), "toe_tap")) == 6
    alone = {f"knee_flexion_{s}": 100 - made_sets.followed(spans, {5: small, -1: 0.0}, s) for s in SIDES}
    assert find(made_sets.motion(spans, alone), "toe_tap") == ()


@pytest.mark.parametrize("style", OTHERS, ids=["quick", "slow", "uneven", "one side"])
@pytest.mark.parametrize("name", ["toe_tap", "bridge", "clam"])
def test_other_ways_to_move_are_found_too(name: str, style: object) -> None:
    performed = perform(name, SEED, style)  # type: ignore[arg-type]
    found = find(measure(performed, MODERATE, SEED)[0], name)
    assert [f.side for f in found] == [rep.side for rep in performed.reps]


def test_the_far_end_is_reached_and_left_in_order() -> None:
    for name in exercises.names():
        for f in find(measured(name), name):
            assert f.start_s < f.arrive_s <= f.turn_s <= f.leave_s < f.end_s


@pytest.mark.parametrize("name", ["figure_four_stretch", "knees_to_chest"])
def test_a_hold_is_as_long_as_it_was_held(name: str) -> None:
    for rep, f in pair(find(measured(name), name), done(name, SEED).reps):
        assert f is not None
        assert f.leave_s - f.arrive_s == pytest.approx(rep.hold_s, abs=1.0)


def forward_over_the_top(performed: Performance, rep: Span) -> bool:
    """From the exact angles: whether the leg goes to the front where it is highest."""
    inside = (performed.time_s >= rep.start_s) & (performed.time_s <= rep.end_s)
    up = performed.angles[f"hip_abduction_{rep.side}"][inside]
    front = np.gradient(performed.angles[f"hip_flexion_{rep.side}"][inside])
    return bool(front[np.argmax(up)] > 0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_circles_of_both_directions(seed: int) -> None:
    performed = done("leg_circle", seed)
    found = find(measured("leg_circle", seed), "leg_circle")
    told = [f.direction == "forward over the top" for f in found]
    assert told == [forward_over_the_top(performed, f) for f in found]
    assert len(set(told)) == 2


def test_only_circles_have_a_direction() -> None:
    assert {f.direction for name in ("clam", "pelvic_tilt") for f in find(measured(name), name)} == {None}


# -------------------------------------------------------------------------- what is no repetition


def still(name: str, seed: int) -> Motion:
    """Somebody who lies there: the set's first posture with measurement errors, and no movement."""
    performed = done(name, SEED)
    first = {n: np.full_like(v, v[0]) for n, v in performed.angles.items()}
    return measure(replace(performed, angles=first), MODERATE, seed)[0]


@every
@pytest.mark.parametrize("seed", [1, 2])
def test_a_still_person_does_nothing(name: str, seed: int) -> None:
    assert find(still(name, seed), name) == ()


SITTING = (
    {"trunk_curl": 75.0}
    | {f"hip_flexion_{s}": 85.0 for s in SIDES}
    | {f"knee_flexion_{s}": 70.0 for s in SIDES}
)


def lying_down(motion: Motion, backwards: bool = False) -> Motion:
    """Sits for 3 s, lies down in 3 s and lies for 2 s; or the other way round, for getting up."""
    steps = [round(s / float(np.median(np.diff(motion.time_s)))) for s in (3, 3, 2)]
    x = np.concatenate([np.zeros(steps[0]), np.linspace(0, 1, steps[1]), np.ones(steps[2])])
    course = x**3 * (10 - 15 * x + 6 * x * x)
    course = course[::-1] if backwards else course

    def lies(name: str, values: Floats) -> Floats:
        there = values[np.isfinite(values)]
        rest = there[-1 if backwards else 0] if there.size else np.nan
        up = SITTING.get(name, rest)
        return up + (rest - up) * course + 0.5 * np.sin(np.arange(len(course)))

    made = changed(motion, lies)
    return replace(made, time_s=np.linspace(0, 8, len(course)))


@every
@pytest.mark.parametrize("backwards", [False, True], ids=["lying down", "getting up"])
def test_lying_down_and_getting_up_are_no_repetitions(name: str, backwards: bool) -> None:
    assert find(lying_down(measured(name), backwards), name) == ()


def test_sitting_up_again_and_again_is_no_bending_of_the_hips() -> None:
    """The hips bend as in the exercise, but the whole trunk rises with them."""
    motion = measured("knees_to_chest")
    once = joined(lying_down(motion, backwards=True), lying_down(motion))
    assert find(joined(joined(once, once), once), "knees_to_chest") == ()


def joined(one: Motion, other: Motion) -> Motion:
    step = float(np.median(np.diff(one.time_s)))
    both = changed(one, lambda name, values: np.concatenate([values, other.values[name]]))
    return replace(both, time_s=np.concatenate([one.time_s, one.time_s[-1] + step + other.time_s]))


@every
@pytest.mark.parametrize("seed", [0, 1, 2, 4])
def test_a_set_between_lying_down_and_getting_up_is_found_alone(name: str, seed: int) -> None:
    motion = measured(name, seed)
    first, last = lying_down(motion), lying_down(motion, backwards=True)
    begins_s = float(first.time_s[-1])
    for whole in (joined(first, motion), joined(motion, last), joined(joined(first, motion), last)):
        found = find(whole, name)
        later_s = begins_s if whole.values["trunk_curl"][0] > UP_DEG else 0.0
        assert [f.side for f in found] == [rep.side for rep in done(name, seed).reps]
        assert all(f.start_s > later_s for f in found)
        assert all(f.complete for f in found)


def test_the_chest_that_bridges_is_in_position() -> None:
    """It goes down by some 30 deg while the pelvis is up; with somebody sitting before, that is all left."""
    motion = measured("bridge")
    exercise = exercises.load("bridge")
    assert in_position(motion, exercise).time_s.size == motion.time_s.size
    left = in_position(joined(lying_down(motion), motion), exercise)
    assert left.time_s.size >= motion.time_s.size
    assert np.nanmax(left.values["trunk_curl"]) < UP_DEG / 2


def test_a_clip_that_does_not_show_the_chest_is_taken_whole() -> None:
    blind = changed(measured("clam"), lambda n, v: np.full_like(v, np.nan) if n == "trunk_curl" else v)
    whole = joined(lying_down(blind), blind)
    assert in_position(whole, exercises.load("clam")).time_s.size == whole.time_s.size


# ------------------------------------------------------------------------- gaps and cut-off ends


def hidden(motion: Motion, start_s: float, end_s: float) -> Motion:
    inside = (motion.time_s > start_s) & (motion.time_s < end_s)
    return changed(motion, lambda _, values: np.where(inside, np.nan, values))


@every
def test_a_gap_neither_splits_nor_invents_a_repetition(name: str) -> None:
    """On the way out, at the far end, on the way back and at rest, for half a second each."""
    performed = done(name, SEED)
    middle = performed.reps[len(performed.reps) // 2]
    turn = middle.start + middle.out_s + middle.hold_s / 2
    for at_s in (middle.start + middle.out_s / 2, turn, middle.end - middle.back_s / 2, middle.end + 0.2):
        found = find(hidden(measured(name), at_s - 0.25, at_s + 0.25), name)
        assert [f.side for f in found] == [rep.side for rep in performed.reps]


def test_a_gap_is_counted_against_what_was_seen() -> None:
    middle = done("bridge", SEED).reps[2]
    found = find(hidden(measured("bridge", SEED, NONE), middle.start + 1, middle.start + 2), "bridge")
    assert found[2].measured == pytest.approx(1 - 1 / (middle.end - middle.start), abs=0.08)
    assert found[1].measured == 1.0


@every
def test_an_unfinished_last_repetition_is_said_to_be_one(name: str) -> None:
    last = done(name, SEED).reps[-1]
    found = find(until(measured(name), last.start + last.out_s + last.hold_s / 2), name)
    assert [f.complete for f in found] == [True] * (len(found) - 1) + [False]
    assert len(found) == len(done(name, SEED).reps)
    assert found[-1].side == last.side


@every
@pytest.mark.parametrize("share", [0.5, 0.6, 0.7, 0.8])
def test_a_way_back_that_the_clip_cuts_off_is_no_quick_one(name: str, share: float) -> None:
    """Most of it is there, so it may count, but never with a fraction of its time."""
    for seed in (0, 1, 3):
        performed = done(name, seed)
        last = performed.reps[-1]
        found = find(until(measured(name, seed), last.end - (1 - share) * last.back_s), name)
        assert len(found) == len(performed.reps)
        assert not found[-1].complete or found[-1].end_s - found[-1].leave_s > 0.6 * last.back_s


@pytest.mark.parametrize("share", [0.3, 0.5, 0.6, 0.75])
def test_a_tuck_and_arch_is_unfinished_wherever_the_clip_ends_in_it(share: float) -> None:
    """At its first end, on the way through the middle, and at the opposite end."""
    last = done("pelvic_tilt", 2).reps[-1]
    cut = until(measured("pelvic_tilt", 2), last.start + share * (last.end - last.start))
    found = find(cut, "pelvic_tilt")
    assert [f.complete for f in found] == [True] * (len(done("pelvic_tilt", 2).reps) - 1) + [False]
    judged = findings.judge(found, cut, exercises.load("pelvic_tilt")).repetitions[-1]
    assert (judged.verdict, judged.measures.range_deg) == ("not_measured", None)


@every
def test_times_are_plain_numbers(name: str) -> None:
    for f in find(measured(name), name):
        assert {type(t) for t in (f.start_s, f.arrive_s, f.leave_s, f.end_s, f.height)} == {float}


@pytest.mark.parametrize("name", ["toe_tap", "bridge"])
def test_a_clip_too_short_for_anything_holds_nothing(name: str) -> None:
    assert find(until(measured(name), 0.5), name) == ()


def test_signals_that_were_not_seen_give_no_repetition() -> None:
    assert find(changed(measured("toe_tap"), lambda _, v: np.full_like(v, np.nan)), "toe_tap") == ()
