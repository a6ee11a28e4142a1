"""Requests are counted within a minute that moves along, each person's apart."""

import time

import pytest

from service.rates import Rates


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The time [s], to be set; it begins with a minute."""
    at = [60_000_000.0]
    monkeypatch.setattr(time, "time", lambda: at[0])
    return at


def tried(counted: Rates, who: str, times: int, most: int = 10) -> int:
    """How many of so many tries were let through."""
    return sum(counted.wait_s(who, most) == 0 for _ in range(times))


def test_no_more_than_that_within_a_span(clock: list[float]) -> None:
    counted = Rates()
    assert tried(counted, "me", 15) == 10
    assert tried(counted, "somebody else", 3) == 3
    clock[0] += 45
    assert tried(counted, "me", 5) == 0
    assert counted.wait_s("me", 10) == pytest.approx(15)


def test_the_span_before_counts_by_what_is_still_in_the_last_minute(clock: list[float]) -> None:
    """So that nobody gets twice as many around the turn of a span."""
    counted = Rates()
    tried(counted, "me", 10)
    clock[0] += 61
    assert tried(counted, "me", 15) == 1
    clock[0] += 29
    assert tried(counted, "me", 15) == 4, "half of the ten count still, and one of this span"
    clock[0] += 30 + 61
    assert tried(counted, "me", 15) == 10, "nothing is held against anybody for longer"


def test_after_a_long_pause_nothing_is_remembered(clock: list[float]) -> None:
    counted = Rates()
    tried(counted, "me", 10)
    clock[0] += 1000.5
    assert tried(counted, "me", 15) == 10
    clock[0] += 39.6  # the span began 40 s before
    assert tried(counted, "me", 15) < 10
