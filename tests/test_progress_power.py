"""Invented series whose true change is known: what is called a change, and how often.

The truth of a session is disturbed by the clip's error (as large as stated) and by the spread of repetitions.
"""

import numpy as np
import pytest
from fake_sessions import START, measured, report

from analysis.progress import Session
from analysis.progress.change import Change, change
from analysis.progress.sessions import SOUND, series_of


def changes(rng: np.random.Generator, lefts: list[float], rights: list[float]) -> list[Change]:
    """Changes of range of both sides, over sessions a week apart."""
    sessions = [
        measured(rng, 7 * i, {"left": left, "right": right})
        for i, (left, right) in enumerate(zip(lefts, rights, strict=True))
    ]
    return [c for s in series_of(sessions, ["range_deg"]) if (c := change(s))]


def called(rng: np.random.Generator, sessions: int, size: tuple[float, float], trials: int = 300) -> float:
    """Share of true changes called real: the first half of the sessions as before, the second changed.

    `size` is the range of true changes, as multiples of the detectable change of two sessions.
    """
    limit = np.mean([c.limit for _ in range(20) for c in changes(rng, [40, 40], [40, 40])])
    found = []
    for _ in range(trials):
        step = rng.uniform(*size) * limit
        half = sessions // 2
        up, down = [40.0] * half + [40 + step] * half, [60.0] * half + [60 - step] * half
        found += [bool(c.real) for c in changes(rng, up, down)]
    return float(np.mean(found))


@pytest.mark.parametrize("sessions", [2, 6])
def test_unchanged_clients_are_rarely_called_changed(sessions: int) -> None:
    """A long run of the same simulation gave 4.2 % (2 sessions, 20,000 comparisons), 4.4 % (6, 12,000)."""
    assert called(np.random.default_rng(15), sessions, (0, 0), trials=2000) <= 0.05


def test_changes_above_the_detectable_one_are_called() -> None:
    """True changes spread evenly from one to four times the detectable change."""
    rng = np.random.default_rng(12)
    assert called(rng, 2, (1, 4)) >= 0.90
    assert called(rng, 6, (1, 4)) >= 0.95


def test_half_of_the_changes_right_at_the_limit_are_called() -> None:
    """What a limit means: at the limit itself a pair of sessions is a coin toss; averages do better."""
    rng = np.random.default_rng(13)
    assert 0.40 <= called(rng, 2, (1, 1)) <= 0.60
    assert called(rng, 4, (1, 1)) >= 0.70


def test_the_direction_is_right() -> None:
    rng = np.random.default_rng(14)
    for _ in range(50):
        up, down = changes(rng, [40, 60], [60, 40])
        assert up.difference > 0 > down.difference


def sound_called(shares: tuple[float, float], repetitions: int, trials: int) -> float:
    """How often two sessions with these true shares of sound repetitions are called different."""
    rng, called = np.random.default_rng(16), 0
    for _ in range(trials):
        sessions = []
        for share in shares:
            verdicts = ["sound" if rng.random() < share else "flagged" for _ in range(repetitions)]
            told = report(ranges={"left": [40.0] * repetitions}, verdicts=verdicts)
            sessions.append(Session("a", told, START))
        (series,) = series_of(sessions, [SOUND])
        got = change(series)
        called += bool(got and got.real)
    return called / trials


@pytest.mark.parametrize("repetitions", [1, 2, 3, 6, 10])
def test_the_same_share_of_sound_repetitions_is_rarely_called_changed(repetitions: int) -> None:
    """Each of 100,000 comparisons or more: 0 %, 0 %, 1.8 %, 2.4 % and 3.7 % at 70 % sound."""
    assert sound_called((0.7, 0.7), repetitions, 400) <= 0.05


def test_a_changed_share_of_sound_repetitions_is_called() -> None:
    """A long run gave 94 %."""
    assert sound_called((0.2, 0.9), 10, 200) >= 0.85
