"""Findings of the pelvis: raised beyond limit and uncertainty, borderline where these leave it open."""

from dataclasses import replace

import numpy as np
import pytest
from made_sets import DOUBT_DEG, ODD, followed, kinds, motion, spans, tells, toe_taps

from analysis import exercises, findings
from analysis.conventions import PELVIC_SIGNALS, SIDES
from analysis.exercises import Prescription
from analysis.records import PelvisSource

PELVIS = {
    "pelvis_tilted": ("arched", "tucked"),
    "pelvis_hiked": ("right side", "left side"),
    "pelvis_rotated": ("left", "right"),
}


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize(
    ("moved", "verdict"),
    [
        (5.0 - DOUBT_DEG - 0.3, "sound"),
        (5.0 - DOUBT_DEG + 0.3, "borderline"),
        (5.0 + DOUBT_DEG - 0.3, "borderline"),
        (5.0 + DOUBT_DEG + 0.3, "flagged"),
    ],
)
@pytest.mark.parametrize(("kind", "signal"), [*zip(PELVIS, PELVIC_SIGNALS, strict=True)])
def test_the_pelvis_moved(kind: str, signal: str, moved: float, verdict: str, way: int) -> None:
    """5 deg is the limit of the toe tap in all three directions."""
    done = spans()
    judged = toe_taps(done, {signal: followed(done, {ODD: way * moved, -1: 0.0})})
    assert tells(judged, kind) == verdict
    assert judged.repetitions[ODD].near == ((kind,) if verdict == "borderline" else ())
    if verdict == "flagged":
        (found,) = judged.repetitions[ODD].findings
        assert found.value == pytest.approx(moved, abs=0.2)
        assert found.uncertainty == pytest.approx(DOUBT_DEG, abs=0.1)
        assert (found.limit, found.unit, found.source) == (5.0, "deg", "common practice, no source")
        assert done[ODD].start_s < found.at_s < done[ODD].end_s
        assert PELVIS[kind][0 if way > 0 else 1] in found.message
        assert found.cue


def test_a_coach_sets_another_limit_for_the_pelvis() -> None:
    done = spans()
    tilt = {"pelvic_tilt": followed(done, {ODD: 8.0, -1: 0.0})}
    assert tells(toe_taps(done, tilt), "pelvis_tilted") == "flagged"
    assert tells(toe_taps(done, tilt, Prescription(pelvis_deg=11.0)), "pelvis_tilted") == "sound"
    assert tells(toe_taps(done, tilt, Prescription(pelvis_deg=3.0)), "pelvis_tilted") == "flagged"


def test_a_pelvis_known_no_better_than_its_limit_is_not_judged() -> None:
    done = spans()
    tilt = {"pelvic_tilt": followed(done, {-1: 20.0})}
    vague = replace(motion(done, tilt), change_uncertainty_deg={"pelvic_tilt": 6.0})
    judged = findings.judge(done, vague, exercises.load("toe_tap"))
    assert "pelvis_tilted" not in [k for r in judged.repetitions for k in kinds(r)]
    assert "not tilted." in " ".join(f.message for f in judged.findings)


def test_nobody_is_sound_whose_pelvis_was_not_read() -> None:
    """Plain or dark cloth shows nothing: what the exercise is about may have happened in every repetition."""
    done = spans()
    seen = motion(done, {"pelvic_tilt": followed(done, {ODD: 12.0, -1: 0.0})})
    vague = replace(seen, change_uncertainty_deg=dict.fromkeys(PELVIC_SIGNALS, 9.0))
    judged = findings.judge(done, vague, exercises.load("toe_tap"))
    assert {r.verdict for r in judged.repetitions} == {"borderline"}
    assert {r.near for r in judged.repetitions} == {tuple(PELVIS)}
    one = replace(vague, change_uncertainty_deg=vague.change_uncertainty_deg | {"pelvic_obliquity": 2.0})
    assert "sound" in {r.verdict for r in findings.judge(done, one, exercises.load("toe_tap")).repetitions}


@pytest.mark.parametrize(("doubt_deg", "verdict"), [(9.0, "borderline"), (2.0, "sound")])
def test_nor_where_cloth_never_shows_one_motion(doubt_deg: float, verdict: str) -> None:
    """A clam's pelvis rolls towards the phone: cloth shows nothing of it, a card does."""
    done = spans()
    still = motion(done, {"pelvic_rotation": followed(done, {-1: 0.0})})
    told = replace(still, change_uncertainty_deg={"pelvic_rotation": doubt_deg})
    exercise = exercises.load("toe_tap").model_copy(update={"cloth_misses": ("pelvic_rotation",)})
    judged = findings.judge(done, told, exercise).repetitions
    assert {r.verdict for r in judged} == {verdict}
    assert {r.near for r in judged} == {("pelvis_rotated",) if verdict == "borderline" else ()}


def test_what_all_repetitions_share_may_stay_unknown_beside_what_sets_one_apart() -> None:
    """Far ends laid over each other tell one from the rest: the set is not said to hide that, too."""
    done = spans()
    seen = motion(done, {"pelvic_tilt": followed(done, {ODD: 20.0, -1: 0.0})})
    doubt = np.full(len(seen.time_s), 12.0)
    apart = replace(
        seen,
        change_uncertainty_deg={"pelvic_tilt": 12.0},
        overstated_deg={"pelvic_tilt": doubt / 6},
        understated_deg={"pelvic_tilt": doubt},
    )
    exercise = exercises.load("toe_tap").model_copy(update={"cloth_misses": ("pelvic_tilt",)})
    judged = findings.judge(done, apart, exercise)
    assert "pelvis_tilted" in kinds(judged.repetitions[ODD])
    (said,) = (f.message for f in judged.findings if "tilted" in f.message)
    assert "tilted alike in every repetition" in said


@pytest.mark.parametrize(("tilt_deg", "verdict"), [(20.0, "flagged"), (3.5, "borderline"), (0.5, "sound")])
def test_cloth_that_hides_an_axis_can_accuse_but_not_clear(tilt_deg: float, verdict: str) -> None:
    """What cloth shows of a hidden axis has happened; where it shows nothing, that is said for the set."""
    done = spans()
    seen = motion(done, {"pelvic_tilt": followed(done, {ODD: tilt_deg, -1: 0.0})})
    hidden = replace(
        seen,
        change_uncertainty_deg={"pelvic_tilt": 12.0},
        overstated_deg={"pelvic_tilt": np.full(len(seen.time_s), 2.0)},
    )
    judged = findings.judge(done, hidden, exercises.load("toe_tap"))
    assert judged.repetitions[ODD].verdict == verdict
    assert any("not tilted" in f.message for f in judged.findings)


@pytest.mark.parametrize(("doubt_deg", "verdict"), [(7.0, "borderline"), (3.0, "sound")])
def test_one_repetition_may_be_known_less_well_than_the_rest(doubt_deg: float, verdict: str) -> None:
    """It is read as still, but may have moved beyond the limit of 5 deg all the same."""
    done = spans()
    seen = motion(done, {"pelvic_tilt": followed(done, {-1: 0.0})})
    under = np.where(np.abs(seen.time_s - done[ODD].turn_s) < 2.0, doubt_deg, 1.0)
    doubtful = replace(seen, understated_deg={"pelvic_tilt": under})
    judged = findings.judge(done, doubtful, exercises.load("toe_tap"))
    assert judged.repetitions[ODD].verdict == verdict
    assert {r.verdict for r in judged.repetitions if r.index != ODD + 1} == {"sound"}


@pytest.mark.parametrize(("source", "near"), [("card", ()), ("landmarks", ("range_beyond",))])
def test_a_roll_told_by_landmarks_is_cleared_only_by_all_that_is_stated(
    source: PelvisSource, near: tuple[str, ...]
) -> None:
    """30 deg, 1.07 times the usual 28: 5 deg from the limit, of which landmarks may hide as much."""
    done = spans()
    rolls = {ODD: 43.0, -1: 40.0}
    pelvis = followed(done, rolls, "left") - followed(done, rolls, "right")
    still = {f"hip_rotation_{s}": 0 * pelvis for s in SIDES}
    seen = motion(done, {"pelvic_rotation": pelvis} | still)
    wide = dict.fromkeys(seen.values, 8.0)
    told = replace(seen, uncertainty_deg=wide, change_uncertainty_deg=wide, pelvis_source=source)
    judged = findings.judge(done, told, exercises.load("knee_rolls")).repetitions
    assert [r.near for r in judged] == [near if i == ODD else () for i in range(len(done))]
