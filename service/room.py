"""How many requests are at the database at once; the others wait where waiting keeps no thread.

SQLite has one writer. Without this, those who wait for it would keep every thread that answers requests,
while the one who writes waits for a thread: nothing would go on until the first gave up.
"""

from anyio import Semaphore

READING, CHANGING, APART = 24, 8, 4  # together fewer than the threads and connections of a server


class Room:
    """Places of one process, made in its event loop."""

    def __init__(self, *, one_writer: bool) -> None:
        self.reading = Semaphore(READING)
        self.changing = Semaphore(1 if one_writer else CHANGING)
        self.apart = Semaphore(APART)  # requests with transactions of their own, or slow ones
