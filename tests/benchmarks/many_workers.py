"""How much sooner a long clip is measured by two workers than by one, each with a core of its own.

`python -m tests.benchmarks.many_workers CLIP`, a clip of toe taps of at least a minute. Real workers on one
folder, as `matline serve --measure-only` starts them; both timings are taken in one run, when the workers
are up. The look at the start and the video to watch at the end are one worker's in either case.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

from analysis import video
from service.settings import Settings
from tests.service.shop import Shop

PARTS = 6
STARTED_S = 15.0  # until a worker surely waits for work


def seconds(clip: Path, workers: int) -> float:
    """Time from the sending of the clip to its report."""
    with tempfile.TemporaryDirectory() as folder:
        shop = Shop(Settings(data_dir=Path(folder)), clip.read_bytes(), Path(folder) / "log")
        length_s = video.probe(clip).duration_s
        try:
            for core in sorted(os.sched_getaffinity(0))[:workers]:
                worker = shop.start(
                    measure="service.measure:measure", MATLINE_PART_SECONDS=str(length_s / PARTS)
                )
                os.sched_setaffinity(worker.pid, {core})
            time.sleep(STARTED_S)
            start = time.monotonic()
            shop.send(1, "toe_tap", length_s)
            shop.until(shop.finished, seconds=3600)
            assert shop.states() == {"done": 1}
            return time.monotonic() - start
        finally:
            shop.close()


def main() -> None:
    """Measure and tell."""
    clip = Path(sys.argv[1])
    one, two = seconds(clip, 1), seconds(clip, 2)
    print(f"{video.probe(clip).duration_s:.0f} s of clip: one worker {one:.0f} s, two {two:.0f} s", end="; ")
    print(f"{one / two:.2f} times as fast (load of this machine {os.getloadavg()[0]:.1f})")


if __name__ == "__main__":
    main()
