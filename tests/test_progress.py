"""Series, changes and remarks from invented sessions with known truth."""

import math
from datetime import timedelta

import pytest
from fake_sessions import HALF_WIDTH_DEG, SIGNALS, START, report, session
from scipy import stats

from analysis.errors import ReportError
from analysis.progress import Progress, Session, compare, follow
from analysis.progress.change import Change
from analysis.progress.sessions import series_of
from analysis.records import Capture, Measures, Repetition


def side_ranges(left: float, right: float) -> dict[str, list[float]]:
    return {"left": [left - 1, left, left + 1, left], "right": [right - 1, right, right + 1, right]}


def range_change(progress: Progress, side: str = "left") -> Change:
    return next(c for c in progress.exercises[0].changes if c.measure == "range_deg" and c.side == side)


def kinds(progress: Progress) -> list[str]:
    return [r.kind for part in progress.exercises for r in part.remarks] + [r.kind for r in progress.remarks]


def told(progress: Progress, kind: str) -> str:
    every = [*progress.remarks, *(r for part in progress.exercises for r in part.remarks)]
    return next(r.text for r in every if r.kind == kind)


def test_a_point_is_the_mean_with_measurement_and_spread_together() -> None:
    """Half-width by hand: 3 deg of measurement; spread pooled over both sessions and sides,
    12 degrees of freedom."""
    series = series_of([session(0, ranges=side_ranges(40, 40)), session(7, ranges=side_ranges(50, 40))])
    left = next(s for s in series if (s.side, s.measure) == ("left", "range_deg"))
    assert [p.value for p in left.points] == [40, 50]
    spread = math.sqrt(4 * 2 / 12)
    expected = math.hypot(HALF_WIDTH_DEG, stats.t.ppf(0.975, 12) * spread / math.sqrt(4))
    assert left.points[0].half_width == pytest.approx(expected)
    assert left.unit == "deg"


def test_units_are_told_by_the_measure() -> None:
    units = {s.measure: s.unit for s in series_of([session(0)])}
    assert units == {"range_deg": "deg", "out_s": "s", "back_s": "s", "pelvis_deg": "deg", "sound_pct": "%"}


def test_unfinished_and_unmeasured_repetitions_do_not_count() -> None:
    odd = [
        Repetition(index=9, side="left", start_s=1, turn_s=2, end_s=3, complete=False,
                   measures=Measures(range_deg=5), verdict="sound"),
        Repetition(index=10, side="left", start_s=4, turn_s=5, end_s=6,
                   measures=Measures(range_deg=5), verdict="not_measured"),
    ]  # fmt: skip
    plain = report()
    both = Session.of("a", report(repetitions=[*plain.repetitions, *odd]))
    left = next(s for s in series_of([both]) if (s.side, s.measure) == ("left", "range_deg"))
    assert left.points[0].value == 40
    assert left.points[0].repetitions == 4


def test_a_change_beyond_the_detectable_one_is_real() -> None:
    got = range_change(
        follow([session(0, ranges=side_ranges(40, 40)), session(7, ranges=side_ranges(52, 40))])
    )
    assert got.real
    assert got.difference == 12
    assert got.limit == pytest.approx(
        math.sqrt(2) * math.hypot(3, stats.t.ppf(0.975, 12) * math.sqrt(8 / 12) / 2)
    )
    assert "larger" in got.text
    assert "a real change" in got.text


def test_a_change_within_it_is_not_told() -> None:
    got = range_change(
        follow([session(0, ranges=side_ranges(40, 40)), session(7, ranges=side_ranges(43, 40))])
    )
    assert got.real is False
    assert "no change can be told" in got.text


def test_a_small_real_change_says_that_a_hand_could_not_confirm_it() -> None:
    small = range_change(
        follow([session(0, ranges=side_ranges(40, 40)), session(7, ranges=side_ranges(48, 40))])
    )
    large = range_change(
        follow([session(0, ranges=side_ranges(40, 40)), session(7, ranges=side_ranges(55, 40))])
    )
    assert "by hand" in small.caution
    assert large.caution == ""


def test_from_four_sessions_on_two_are_averaged_at_each_end() -> None:
    progress = follow(
        [session(7 * i, ranges=side_ranges(left, 40)) for i, left in enumerate((40, 42, 50, 54))]
    )
    got = range_change(progress)
    assert (got.first.value, got.last.value, got.sessions) == (41, 52, 2)
    single = follow([session(0, ranges=side_ranges(40, 40)), session(7, ranges=side_ranges(54, 40))])
    assert got.limit is not None
    assert got.limit < (range_change(single).limit or 0)


def test_nothing_is_told_from_one_session() -> None:
    progress = follow([session(0, pain=(1, 6))])
    part = progress.exercises[0]
    assert part.changes == ()
    assert part.proposal is None
    assert kinds(progress) == ["one_session"]


def test_one_repetition_a_session_cannot_tell() -> None:
    progress = follow([session(0, ranges={"left": [40.0]}), session(7, ranges={"left": [90.0]})])
    got = range_change(progress)
    assert got.real is None
    assert got.limit is None


def test_a_report_without_stated_error_cannot_tell() -> None:
    bare = {"uncertainty_deg": {}, "change_uncertainty_deg": {}}
    progress = follow(
        [session(0, ranges=side_ranges(40, 40), **bare), session(7, ranges=side_ranges(90, 40), **bare)]
    )
    assert range_change(progress).real is None


def test_an_unusable_clip_gives_no_point_but_is_named() -> None:
    dark = Capture(view="side", usable=False)
    progress = follow([session(0), session(3, ranges=side_ranges(90, 90), capture=dark), session(7)])
    assert range_change(progress).real is False
    assert "8 January 2026" in told(progress, "unusable")


def test_order_of_the_files_does_not_matter() -> None:
    sessions = [session(d, ranges=side_ranges(40 + d, 40)) for d in (0, 7, 14, 21)]
    assert follow(sessions) == follow([sessions[i] for i in (2, 0, 3, 1)])


def test_mixed_exercises_are_kept_apart() -> None:
    progress = follow([session(0), session(1, exercise="leg_extension"), session(7)])
    assert [(p.exercise, p.sessions) for p in progress.exercises] == [("toe_tap", 2), ("leg_extension", 1)]


def test_an_exercise_of_another_version_is_followed_without_ranges_judged() -> None:
    progress = follow([session(0, exercise="unheard_of"), session(7, exercise="unheard_of")])
    assert range_change(progress).real is None
    assert progress.exercises[0].proposal is None


def test_sound_repetitions_become_more() -> None:
    poor, good = ["flagged"] * 7, ["sound"] * 8
    ranges = {"left": [40.0 + i % 2 for i in range(8)]}
    progress = follow([session(0, ranges=ranges, verdicts=poor), session(7, ranges=ranges, verdicts=good)])
    got = next(c for c in progress.exercises[0].changes if c.measure == "sound_pct")
    assert (got.first.value, got.last.value, got.real) == (12.5, 100, True)


# ------------------------------------------------------------------------------------ remarks


def test_a_plateau_needs_sessions_and_days() -> None:
    still = [session(d, ranges=side_ranges(40, 40)) for d in (0, 5, 10, 16)]
    assert "since 5 January 2026, over 4 sessions" in told(follow(still), "plateau")
    assert "plateau" not in kinds(follow(still[:3]))
    assert "plateau" not in kinds(follow([session(d, ranges=side_ranges(40, 40)) for d in (0, 2, 4, 6)]))


def test_a_plateau_starts_after_the_last_real_change() -> None:
    lefts = (20, 40, 40, 40, 40)
    progress = follow([session(7 * i, ranges=side_ranges(left, 40)) for i, left in enumerate(lefts)])
    left = next(r for r in progress.exercises[0].remarks if r.kind == "plateau" and r.side == "left")
    assert "since 12 January 2026, over 4 sessions" in left.text


def test_one_odd_session_does_not_end_a_plateau() -> None:
    lefts = (40, 40, 50, 40, 40, 40)
    progress = follow([session(7 * i, ranges=side_ranges(left, 40)) for i, left in enumerate(lefts)])
    left = next(r for r in progress.exercises[0].remarks if r.kind == "plateau" and r.side == "left")
    assert "since 5 January 2026, over 6 sessions" in left.text


def test_a_drift_that_a_large_error_hides_is_no_plateau() -> None:
    """The two repetitions of a session differ so much that no change can be told; nor is it a level."""
    drift = [session(7 * i, ranges={"left": [20.0 + 6 * i, 80 + 6 * i]}) for i in range(6)]
    level = [session(7 * i, ranges={"left": [20.0, 80]}) for i in range(6)]
    for sessions, kind in ((drift, False), (level, True)):
        progress = follow(sessions)
        assert not any(c.real for c in progress.exercises[0].changes if c.measure == "range_deg")
        assert any("Range" in r.text for r in progress.exercises[0].remarks if r.kind == "plateau") == kind


def test_steady_progress_is_no_plateau() -> None:
    progress = follow([session(7 * i, ranges=side_ranges(40 + 4 * i, 40 + 4 * i)) for i in range(6)])
    assert "plateau" not in kinds(progress)


@pytest.mark.parametrize("step", [0.0, 0.3, 1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize("count", [4, 6, 8])
def test_no_plateau_is_told_beside_a_real_change_of_the_same_sessions(step: float, count: int) -> None:
    """Small steps, each within the error, that add up to a change."""
    progress = follow(
        [session(7 * i, ranges=side_ranges(40 + step * i, 40 + step * i)) for i in range(count)]
    )
    real = {c.side for c in progress.exercises[0].changes if c.measure == "range_deg" and c.real}
    level = {
        r.side for r in progress.exercises[0].remarks if r.kind == "plateau" and r.text.startswith("Range")
    }
    assert real == ({"left", "right"} if step * (count - 2) > 3.5 else set())
    assert level == {"left", "right"} - real


def test_a_side_behind_is_told_with_the_figures_of_the_changes() -> None:
    lefts, rights = (40, 40, 40, 40), (44, 46, 62, 58)
    progress = follow(
        [session(7 * i, ranges=side_ranges(*pair)) for i, pair in enumerate(zip(lefts, rights, strict=True))]
    )
    first, last = (getattr(range_change(progress, "right"), end).value for end in ("first", "last"))
    assert (first, last) == (45, 60)
    assert "20.0° less" in told(progress, "side_behind")
    assert "5.0° apart" in told(progress, "side_behind")


def test_an_error_larger_than_the_values_is_told_without_figures() -> None:
    """Two repetitions far apart: Student's t with one degree of freedom makes hundreds of degrees of it."""
    few = {"left": [20.0, 60.0]}
    progress = follow([session(0, ranges=few), session(7, ranges=few)])
    (text,) = (c.text for c in progress.exercises[0].changes if c.measure == "range_deg")
    assert "larger than the values themselves" in text
    assert "differ by" not in text


def test_a_side_that_falls_behind_is_pointed_out() -> None:
    progress = follow([session(7 * i, ranges=side_ranges(40, 40 + 10 * i)) for i in range(3)])
    text = told(progress, "side_behind")
    assert text.startswith("The left side falls behind")
    assert "20.0°" in text


def test_sides_that_were_apart_from_the_start_do_not_fall_behind() -> None:
    progress = follow([session(7 * i, ranges=side_ranges(40, 60)) for i in range(3)])
    assert "side_behind" not in kinds(progress)


def test_a_missing_side_is_said() -> None:
    progress = follow([session(d, ranges={"right": [40.0, 41, 42]}) for d in (0, 7)])
    assert told(progress, "side_missing") == "Only the right side was measured."
    assert "side_behind" not in kinds(progress)


def test_pain_rising_with_range_and_alone() -> None:
    larger = [session(0, ranges=side_ranges(40, 40)), session(7, ranges=side_ranges(55, 55), pain=(2, 3))]
    same = [session(0), session(7, pain=(2, 3))]
    assert "rose from 1 to 3 of 10 while the range grew" in told(follow(larger), "pain_with_range")
    assert "rose from 1 to 3" in told(follow(same), "pain_rising")


def test_one_point_of_pain_is_no_change() -> None:
    """A change of 2 of 10 counts (Farrar 2001; Ostelo 2008)."""
    assert not {"pain_rising", "pain_with_range"} & set(kinds(follow([session(0), session(7, pain=(1, 2))])))


def test_missed_practice_against_the_usual_pause() -> None:
    progress = follow([session(d) for d in (0, 3, 6, 9, 25, 28)])
    text = told(progress, "missed_practice")
    assert (
        text
        == "No practice for 16 days, from 14 January 2026 to 30 January 2026; usually it is every 3 days."
    )


def test_a_pause_that_still_goes_on() -> None:
    sessions = [session(d) for d in (0, 3, 6)]
    assert "missed_practice" not in kinds(follow(sessions, today=START + timedelta(days=10)))
    late = follow(sessions, today=START + timedelta(days=20))
    assert "for 14 days, from 11 January 2026" in told(late, "missed_practice")


def test_weekly_practice_is_not_missed_practice() -> None:
    assert "missed_practice" not in kinds(follow([session(d) for d in (0, 8, 16, 24)]))


def test_clips_filmed_differently_are_compared_with_care() -> None:
    other = Capture(view="oblique", usable=True)
    progress = follow([session(0), session(7, capture=other, pelvis_source="landmarks")])
    assert kinds(progress).count("filmed_differently") == 2


def test_an_open_warning_sign_is_told_first() -> None:
    progress = follow([session(0), session(7, signs=("saddle_numbness",))])
    assert progress.remarks[0].kind == "warning_sign"
    assert "emergency" in progress.remarks[0].text


# ------------------------------------------------------------------------------------ compare


def test_compare_refuses_mixed_exercises_and_clients() -> None:
    with pytest.raises(ReportError, match="one exercise"):
        compare([session(0), session(7, exercise="clam")])
    with pytest.raises(ReportError, match="one client"):
        compare([session(0), session(7, client="C-02")])


def test_compare_needs_two_different_sessions() -> None:
    with pytest.raises(ReportError, match="two different sessions"):
        compare([session(0), session(0)])


def test_compare_keeps_the_order_given_where_dates_are_missing() -> None:
    b = Session.of("after", report(at=None, ranges=side_ranges(60, 40)))
    a = Session.of("before", report(at=None, ranges=side_ranges(40, 40)))
    got, _ = compare([b, a])
    left = next(c for c in got.changes if (c.side, c.measure) == ("left", "range_deg"))
    assert left.difference == -20


def test_progress_is_a_record_that_survives_json() -> None:
    progress = follow([session(0), session(7)])
    assert Progress.model_validate_json(progress.model_dump_json()) == progress
    assert progress.cautions


def test_signals_of_the_invented_report_are_known() -> None:
    assert set(SIGNALS) <= set(report().series)
