"""Counts what each does within a minute that moves along, for one process."""

import time

from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import SlidingWindowCounterRateLimiter


class Rates:
    """How often each did something within about the last minute.

    The minute before counts by the share of it that is still within the last 60 s.
    """

    def __init__(self) -> None:
        self._window = SlidingWindowCounterRateLimiter(MemoryStorage())

    def wait_s(self, who: str, most: int) -> float:
        """Count once more, and return 0; or where that would be more than `most`, how long to wait [s]."""
        limit = RateLimitItemPerMinute(most)
        if self._window.hit(limit, who):
            return 0.0
        return max(1.0, self._window.get_window_stats(limit, who).reset_time - time.time())
