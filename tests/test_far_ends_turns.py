"""From what pairs of pictures tell of the far ends to the pelvis's motion."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fake_report import observations
from made_sets import followed, spans, times
from scipy import stats

from analysis import exercises
from analysis.exercises import Exercise
from analysis.far_ends import apply, estimate
from analysis.far_ends.estimate import Reading, turns
from analysis.pelvis import PelvisMotion
from analysis.records import Clip, Floats, PelvisSource, Skeleton
from analysis.repetitions import Span, course

# ---------------------------------------------------------------------------- from pairs to turns


def apart(deg: Floats, error_deg: float = 0.8) -> list[Reading]:
    """Readings of every pair of far ends."""
    return [Reading(i, j, deg[j] - deg[i], error_deg) for j in range(len(deg)) for i in range(j)]


def alone(deg: Floats, error_deg: float) -> list[Reading]:
    """Readings of every far end against the still start."""
    return [Reading(None, k, d, error_deg, "start") for k, d in enumerate(deg)]


def test_readings_that_agree_are_the_answer() -> None:
    deg = np.array([0.4, 9.0, -0.6, 0.2])
    found = turns(apart(deg) + alone(deg, 1.0), 4)
    assert found.deg == pytest.approx(deg, abs=0.5)
    assert (found.least_deg < np.abs(deg)).all()
    assert (found.most_deg > np.abs(deg)).all()
    assert (found.most_deg - found.least_deg).max() < 6


def test_one_that_went_astray_is_told_from_the_others() -> None:
    """By pairs alone, with next to nothing read against the still start."""
    deg = np.array([0.0, 0.5, -11.0, 0.0, 0.3])
    found = turns(apart(deg) + alone(np.zeros(5), 5.0), 5)
    assert found.deg[2] < 0
    assert found.least_deg[2] > 5
    assert np.abs(np.delete(found.deg, 2)).max() < 2


def test_what_all_do_alike_is_not_called_still() -> None:
    """Pairs say nothing of a turn that all have in common: it may be as large as the limit of 5 deg."""
    found = turns(apart(np.zeros(5)), 5)
    assert np.abs(found.deg).max() < 0.5
    assert found.most_deg.min() > 5
    told = turns(apart(np.zeros(5)) + alone(np.full(5, 9.0), 1.5), 5)
    assert told.least_deg.min() > 5


def test_of_two_that_differ_neither_is_blamed() -> None:
    found = turns(apart(np.array([0.0, 9.0])), 2)
    assert found.most_deg.min() > 5
    assert found.least_deg.max() < 2


def test_far_ends_without_readings_stay_unknown() -> None:
    found = turns(alone(np.array([1.0]), 1.0), 3)
    assert np.isfinite(found.deg).tolist() == [True, False, False]
    assert np.isfinite(found.most_deg).tolist() == [True, False, False]


def test_many_readings_that_err_alike_are_little_surer_than_one() -> None:
    deg = np.full(8, 3.0)
    many, one = turns(apart(deg) + alone(deg, 2.0), 8), turns(apart(deg[:2]) + alone(deg[:1], 2.0), 2)
    assert (many.most_deg - many.deg).min() > 0.5 * (one.most_deg - one.deg)[0]


def test_a_still_repetition_that_has_no_other_of_its_side_is_less_sure_to_be_still() -> None:
    """Nothing but the still start tells of it, and that reading may be blind."""
    lone, of_two = turns(alone(np.zeros(1), 1.0), 1), turns(apart(np.zeros(2)) + alone(np.zeros(2), 1.0), 2)
    assert lone.deg == pytest.approx(0, abs=0.2)
    assert lone.most_deg[0] > 5 > of_two.most_deg[0]


def test_the_bounds_hold_as_much_as_they_say() -> None:
    """Clients drawn as the estimate supposes them; it allows for readings that err towards rest besides."""
    rng = np.random.default_rng(8)
    too_little, too_much = [], []
    for _ in range(150):
        habit = rng.normal(0, 8.0 if rng.random() < 0.15 else 3.0)
        deg = habit + rng.normal(0, 1.5, 5)
        astray = rng.random(5) < 0.4
        deg[astray] = habit + rng.uniform(-25, 25, astray.sum())
        noise = rng.normal(0, 1 / np.sqrt(2), 5)
        common, own = np.sqrt(0.4) * rng.normal(0, 3), np.sqrt(0.6) * rng.normal(0, 3, 5)
        found = turns(apart(deg + noise, 1.0) + alone(deg + common + own, 3.0), 5)
        too_little += (np.sign(found.deg) * deg < found.least_deg).tolist()
        too_much += (np.abs(deg) > found.most_deg).tolist()
    assert np.mean(too_little) == pytest.approx(1 - estimate._AT_LEAST, abs=0.05)
    assert np.mean(too_much) == pytest.approx(2 * (1 - estimate._AT_MOST), abs=0.05)


def test_the_level_is_that_of_a_sampled_posterior() -> None:
    """Against plain Monte Carlo: turns drawn as supposed, weighed by how well they explain what was read."""
    rng = np.random.default_rng(9)
    n = 400_000
    habit = rng.normal(0, np.where(rng.random(n) < 0.15, 8.0, 2.0))
    deg = habit[:, None] + rng.normal(0, 1.5, (n, 2))
    stray = rng.random((n, 2)) < 0.4
    deg = np.where(stray, rng.uniform(-25, 25, (n, 2)), deg)
    read_apart, read_alone = 6.0, 4.0
    weight = stats.norm.pdf(deg[:, 1] - deg[:, 0], read_apart, 0.05)
    weight *= 0.95 * stats.norm.pdf(read_alone - deg[:, 1], scale=3) + 0.05 * stats.norm.pdf(4, scale=3)
    found = turns([Reading(0, 1, read_apart, 0.05), Reading(None, 1, read_alone, 3.0)], 2)
    for k in range(2):
        order = np.argsort(deg[:, k])
        below = np.cumsum(weight[order]) / weight.sum()
        middle, least = np.interp([0.5, 1 - estimate._AT_LEAST], below, deg[order, k])
        assert found.deg[k] == pytest.approx(middle, abs=0.6)
        if middle > 0:
            assert found.least_deg[k] == pytest.approx(least, abs=0.6)


# --------------------------------------------------------------------------- what becomes of the motion

TOE_TAP = exercises.load("toe_tap")
CLIP = Clip(Path("clip.mp4"), (0.0, 1.0), 640, 360, 0, 1.0)


def judged_motion(
    monkeypatch: pytest.MonkeyPatch,
    done: list[Span],
    deg: Floats,
    source: PelvisSource = "landmarks",
    exercise: Exercise = TOE_TAP,
    tilt: Floats | None = None,
    curl_deg: float = 0.0,
    plain: tuple[int, ...] = (),
) -> PelvisMotion:
    """A pelvis read as still all along, once the far ends told that its tilt was `deg` there.

    tilt: what was read of it (T,), NaN where its source did not see it; the trunk curls by `curl_deg`; at
    which far ends the cloth is `plain`.
    """
    t = times(done)
    still, name = np.zeros(len(t)), "pelvic_tilt"
    before = PelvisMotion(
        {name: still if tilt is None else tilt},
        {name: 2.0},
        {name: 12.0},
        source,
        {name: source},
        bridged={name: still},
    )
    read = [[*apart(deg), *alone(deg, 1.0)], [], []], set(plain)
    monkeypatch.setattr(apply, "_readings", lambda *_: read)
    monkeypatch.setattr(apply, "mat_in_camera", lambda *_: np.eye(3))
    unseen = observations(t, np.full((len(t), 33, 2), np.nan))
    curl = np.radians(followed(done, {-1: curl_deg}))
    trunk = np.column_stack([np.sin(curl), np.cos(curl), np.zeros(len(t))])
    body = Skeleton(t, {"trunk": trunk}, np.empty((len(t), 17, 3)))
    return apply.compared(before, CLIP, unseen, body, done, exercise)


@pytest.mark.parametrize(("curl_deg", "besides_deg"), [(0.0, 1.1), (30.0, np.hypot(1.1, 0.035 * 30))])
def test_a_tilt_is_no_surer_than_a_trunk_that_stirs_or_curls_allows(
    monkeypatch: pytest.MonkeyPatch, curl_deg: float, besides_deg: float
) -> None:
    done, deg = spans(4), np.array([0.0, 8.0, -1.0, 0.5])
    told = judged_motion(monkeypatch, done, deg, curl_deg=curl_deg)
    over = told.overstated_deg["pelvic_tilt"][int(np.argmin(np.abs(times(done) - done[1].turn_s)))]
    read = turns([*apart(deg), *alone(deg, 1.0)], 4)
    assert over == pytest.approx(np.hypot(read.deg[1] - read.least_deg[1], besides_deg), abs=0.02)


def test_the_signal_goes_where_the_far_ends_say_and_returns(monkeypatch: pytest.MonkeyPatch) -> None:
    done, deg = spans(4), np.array([0.0, 8.0, -1.0, 0.5])
    told = judged_motion(monkeypatch, done, deg)
    t, tilt = times(done), told.values["pelvic_tilt"]
    assert [float(np.interp(s.turn_s, t, tilt)) for s in done] == pytest.approx(deg, abs=0.6)
    assert [float(np.interp(s.start_s, t, tilt)) for s in done] == pytest.approx([0] * 4, abs=0.1)
    assert told.change_uncertainty_deg["pelvic_tilt"] < 4
    assert (told.source, told.sources["pelvic_tilt"]) == ("fabric", "fabric")
    at = int(np.abs(t - done[1].turn_s).argmin())
    assert 0 < told.overstated_deg["pelvic_tilt"][at] < 3
    assert 0 < told.understated_deg["pelvic_tilt"][at] < 3


def test_on_plain_cloth_any_turn_may_be_missed_and_what_is_seen_is_still_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    done, deg, name = spans(4), np.array([0.0, 8.0, -1.0, 0.5]), "pelvic_tilt"
    usual = judged_motion(monkeypatch, done, deg)
    at = [int(np.abs(times(done) - s.turn_s).argmin()) for s in done]
    for plain in ((0, 3), (0, 1, 3)):
        told = judged_motion(monkeypatch, done, deg, plain=plain)
        missed = [float(told.understated_deg[name][k]) for k in at]
        as_usual = [float(usual.understated_deg[name][k]) for k in at]
        assert missed == pytest.approx([12.0 if k in plain else as_usual[k] for k in range(4)])
        assert told.change_uncertainty_deg == (
            {name: 12.0} if len(plain) > 2 else usual.change_uncertainty_deg
        )
        assert (told.overstated_deg[name] == usual.overstated_deg[name]).all()
        assert told.uncertainty_deg == usual.uncertainty_deg


def test_cloth_that_a_card_covers_may_be_plain(monkeypatch: pytest.MonkeyPatch) -> None:
    done = spans(4)
    covered = np.where(course.far_half(times(done), done[1]), np.nan, 0.0)
    deg = np.array([0.0, 8.0, 5.0, 0.0])
    usual = judged_motion(monkeypatch, done, deg, "card", tilt=covered)
    told = judged_motion(monkeypatch, done, deg, "card", tilt=covered, plain=(0, 1, 2, 3))
    assert told.change_uncertainty_deg == usual.change_uncertainty_deg


def test_the_first_one_may_be_the_odd_one_where_the_still_start_tells_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    done = spans(4, sides=("both",))
    misses = TOE_TAP.model_copy(update={"cloth_misses": ("pelvic_tilt",)})
    told = judged_motion(monkeypatch, done, np.array([12.0, 0.0, 0.0, 0.3]), exercise=misses)
    t, tilt = times(done), told.values["pelvic_tilt"]
    assert [float(np.interp(s.turn_s, t, tilt)) for s in done] == pytest.approx([12, 0, 0, 0.3], abs=1)
    assert told.change_uncertainty_deg == {"pelvic_tilt": 12.0}  # what all have in common is not known


def test_a_card_that_sees_well_is_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    done = spans(4)
    told = judged_motion(monkeypatch, done, np.array([0.0, 8.0, 0.0, 0.0]), "card")
    assert (told.values["pelvic_tilt"] == 0).all()
    assert told.source == "card"


def test_a_far_end_at_which_the_card_is_covered_is_told_by_the_pictures(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    done = spans(4)
    t = times(done)
    covered = np.where(course.far_half(t, done[1]), np.nan, 0.0)
    told = judged_motion(monkeypatch, done, np.array([0.0, 8.0, 5.0, 0.0]), "card", tilt=covered)
    tilt = told.values["pelvic_tilt"]
    at = [float(np.interp(s.turn_s, t, tilt)) for s in done]
    assert at == pytest.approx([0, 8, 0, 0], abs=1)  # where the card is seen, it is believed
    assert told.sources["pelvic_tilt"] == "card"
    assert told.uncertainty_deg["pelvic_tilt"] == pytest.approx(2.0, abs=0.5)  # of the card, and of pictures
    assert told.uncertainty_deg["pelvic_tilt"] != 2.0
    assert told.understated_deg["pelvic_tilt"][int(np.abs(t - done[1].turn_s).argmin())] > 0.5


def test_a_card_that_shows_no_far_end_does_not_tell_what_all_have_in_common(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    done = spans(4, sides=("both",))
    t = times(done)
    far = np.any([course.far_half(t, s) for s in done], axis=0)
    misses = TOE_TAP.model_copy(update={"cloth_misses": ("pelvic_tilt",)})
    tilt = np.where(far, np.nan, 0.0)
    told = judged_motion(monkeypatch, done, np.array([0.0, 8.0, 0.0, 0.3]), "card", misses, tilt)
    assert told.change_uncertainty_deg == {"pelvic_tilt": 12.0}


def test_an_unfinished_repetition_is_not_compared(monkeypatch: pytest.MonkeyPatch) -> None:
    done = [*spans(4)[:3], replace(spans(4)[3], complete=False)]
    told = judged_motion(monkeypatch, done, np.array([0.0, 8.0, 0.0]))
    after = times(done) > done[3].start_s
    assert (told.values["pelvic_tilt"][after] == 0).all()
    assert (told.understated_deg["pelvic_tilt"][after] == 12.0).all()


def test_without_readings_nothing_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    done = spans(4)
    told = judged_motion(monkeypatch, done, np.empty(0))
    assert told.change_uncertainty_deg == {"pelvic_tilt": 12.0}
    assert not told.understated_deg
