"""What is usual in a set, where its repetitions do not agree."""

import pytest
from made_sets import followed, motion, spans

from analysis import exercises, findings
from analysis.conventions import SIDES


def test_of_two_small_and_two_large_ways_of_a_side_neither_is_surely_the_usual() -> None:
    """The other side goes 95 deg: what is large for this side is not large for the set, and what is small
    for the set is not surely right."""
    done = spans(count=8)
    heights = {1: 55.0, 3: 60.0, 5: 110.0, 7: 150.0, -1: 95.0}
    legs = {
        f"{joint}_flexion_{s}": 90 - followed(done, heights, s) for joint in ("hip", "knee") for s in SIDES
    }
    judged = findings.judge(done, motion(done, legs), exercises.load("bird_dog"))
    assert [r.verdict for r in judged.repetitions[1::2]] == ["borderline"] * 3 + ["flagged"]
    assert [r.near for r in judged.repetitions[1:7:2]] == [("range_short",)] * 2 + [("range_beyond",)]


@pytest.mark.parametrize(("other_deg", "verdict"), [(64.0, "sound"), (98.0, "borderline")])
def test_two_alike_of_a_side_are_the_usual_ones_only_where_the_other_side_goes_as_far(
    other_deg: float, verdict: str
) -> None:
    """Both may be small, 65 deg are short of 75 % of 98; or those of the other side large."""
    done = spans(count=4)
    heights = {1: 62.0, 3: 67.0, -1: other_deg}
    legs = {
        f"{joint}_flexion_{s}": 90 - followed(done, heights, s) for joint in ("hip", "knee") for s in SIDES
    }
    judged = findings.judge(done, motion(done, legs), exercises.load("bird_dog"))
    assert [r.verdict for r in judged.repetitions] == [verdict] * 4
    if verdict == "borderline":
        assert [r.near for r in judged.repetitions[:2]] == [("range_beyond",), ("range_short",)]


@pytest.mark.parametrize(("other_deg", "verdict"), [(94.0, "sound"), (90.0, "borderline")])
def test_a_side_in_which_most_are_large_clears_only_what_the_other_side_would(
    other_deg: float, verdict: str
) -> None:
    """Three of four go 100 deg, which may be 115: less than 125 % of 94, and more than of 90."""
    done = spans(count=8)
    heights = {1: 100.0, 3: 100.0, 5: other_deg, 7: 101.0, -1: other_deg}
    legs = {
        f"{joint}_flexion_{s}": 90 - followed(done, heights, s) for joint in ("hip", "knee") for s in SIDES
    }
    judged = findings.judge(done, motion(done, legs), exercises.load("bird_dog"))
    assert [r.verdict for r in judged.repetitions] == ["sound", verdict] * 2 + [
        "sound",
        "sound",
        "sound",
        verdict,
    ]


def test_where_two_halves_of_a_set_lie_as_close_neither_is_surely_the_usual() -> None:
    """Two small, two large, one cut short: 38 deg are beyond 125 % of 28, and 27 not even 75 % of 38."""
    done = spans(5, sides=("both",))
    sizes = {0: 38.0, 1: 28.0, 2: 27.0, 3: 38.4, -1: 14.0}
    hips = {f"hip_flexion_{s}": 60 - followed(done, sizes) for s in SIDES}
    judged = findings.judge(done, motion(done, hips), exercises.load("bridge")).repetitions
    assert [r.verdict for r in judged] == ["borderline"] * 4 + ["flagged"]
    assert [r.near for r in judged[:2]] == [("range_beyond",), ("range_short",)]


def test_of_two_small_and_two_large_ways_of_a_set_without_sides_none_is_surely_the_usual() -> None:
    """24 deg are beyond 125 % of 17, as 17 are short of 75 % of 24."""
    done = spans(4, sides=("both",))
    sizes = {0: 24.2, 1: 17.3, 2: 24.0, -1: 17.1}
    hips = {f"hip_flexion_{s}": 60 - followed(done, sizes) for s in SIDES}
    judged = findings.judge(done, motion(done, hips), exercises.load("bridge")).repetitions
    assert [r.verdict for r in judged] == ["borderline"] * 4


def test_of_a_few_rolls_to_a_side_none_is_surely_the_usual_one_though_most_agree() -> None:
    """Rolls to one side may be read a quarter larger than to the other: 40 deg to both prove nothing."""
    done = spans(count=6)
    rolls = {1: 41.0, -1: 57.0}
    pelvis = followed(done, rolls, "left") - followed(done, rolls, "right")
    still = {f"hip_rotation_{s}": 0 * pelvis for s in SIDES}
    told = motion(done, {"pelvic_rotation": pelvis} | still)
    judged = findings.judge(done, told, exercises.load("knee_rolls")).repetitions
    assert [r.verdict for r in judged] == ["sound", "flagged", *["sound", "borderline"] * 2]
    assert {r.near for r in judged[3::2]} == {("range_beyond",)}
