"""Counts what each does within a span of time that moves along, in constant time and without a thread."""

import time


class Rates:
    """How often each did something within about the last `span_s` seconds; for one thread.

    The span before counts by the share of it that is still within the last `span_s`.
    """

    def __init__(self, span_s: float = 60.0) -> None:
        self._span_s, self._turned = span_s, time.monotonic()
        self._now: dict[str, int] = {}
        self._before: dict[str, int] = {}

    def wait_s(self, who: str, most: int) -> float:
        """Count once more, and return 0; or where that would be more than `most`, how long to wait [s]."""
        passed = self._turn()
        before, now = self._before.get(who, 0), self._now.get(who, 0)
        if now + before * (1 - passed / self._span_s) >= most:
            return self._span_s - passed
        self._now[who] = now + 1
        return 0.0

    def _turn(self) -> float:
        """Begin a new span where it is time to; returns how much of the present one has passed [s]."""
        passed = time.monotonic() - self._turned
        if passed >= self._span_s:
            self._before = self._now if passed < 2 * self._span_s else {}
            self._now = {}
            self._turned += passed - passed % self._span_s
        return passed % self._span_s
