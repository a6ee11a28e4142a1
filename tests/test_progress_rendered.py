"""Changes between really measured sessions of rendered people, whose true change is known.

Nothing is measured here: the reports come from files (`tests/data/README.md`). Those who are judged are
people from whom neither networks nor half-widths nor factors were learned.
"""

import pytest
from rendered_sessions import FITTED, SURE, UNSEEN, Pair, factors, false, found, load, pairs

from analysis import measurement_error


@pytest.fixture(scope="module")
def told() -> list[Pair]:
    return pairs(load(UNSEEN))


def test_unchanged_clients_are_rarely_called_changed(told: list[Pair]) -> None:
    share = false(told)
    assert share.of >= 500
    assert share.value <= 0.05, share


def test_the_factors_are_those_of_these_sessions() -> None:
    """Rounded up to the next twentieth."""
    for measure, by_exercise in factors(load(FITTED)).items():
        for exercise, value in by_exercise.items():
            stated = measurement_error.times_between_clips(exercise, measure)
            assert value - 1e-9 <= stated <= value + 0.1, (measure, exercise, value)


def test_changes_are_called_the_right_way(told: list[Pair]) -> None:
    """At the limit itself a change is a coin toss; from 1.65 times it on, nine of ten must be called."""
    share = found(told, SURE)
    assert share.of >= 30
    assert share.value >= 0.90, share
    assert found(told).value >= 0.90, found(told)


def test_hardly_any_call_goes_the_wrong_way(told: list[Pair]) -> None:
    wrong = [p for p in told if p.told.real and p.share > 1 and p.told.difference * p.true < 0]
    assert not wrong


def test_within_one_clip_the_error_of_times_would_be_understated(
    told: list[Pair], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the half-widths of a single clip too many changes of tempo are called, so factors are needed."""
    times = [p.told.measure for p in told if p.told.measure in ("out_s", "back_s")]
    assert len(times) >= 300
    monkeypatch.setattr(measurement_error, "times_between_clips", lambda *_: 1.0)
    assert false([p for p in pairs(load(UNSEEN)) if p.told.measure in times]).value > 0.05
