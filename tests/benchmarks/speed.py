"""How long a whole check takes, as ratios in one run.

    python -m tests.benchmarks.speed CLIP --exercise NAME

Against a straightforward loop (open with OpenCV, heavy model on every frame in order) and against what
the bare heavy model can do on all cores with the frames that the check looks at. What the check adds to
the pose model is told by one process: all of the check against the same frames read and shown to the heavy
model alone, and how much of that is the look for the client that comes first. Also peak memory.
"""

from __future__ import annotations

import argparse
import os
import resource
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import cv2

from analysis import exercises, observe, pipeline, video
from analysis.landmarks import Follower


def straightforward_loop(clip: Path) -> float:
    """Seconds for every frame through the heavy model, one after the other."""
    start = time.perf_counter()
    capture = cv2.VideoCapture(str(clip))
    with Follower() as model:
        while (got := capture.read())[0]:
            model.follow(cv2.cvtColor(got[1], cv2.COLOR_BGR2RGB))
    return time.perf_counter() - start


def bare_model(args: tuple[Path, int]) -> float:
    """Seconds for `count` looks of the heavy model at one picture, decoding and start-up left out."""
    clip, count = args
    picture = cv2.cvtColor(cv2.VideoCapture(str(clip)).read()[1], cv2.COLOR_BGR2RGB)
    with Follower() as model:
        model.follow(picture)
        start = time.perf_counter()
        for _ in range(count):
            model.follow(picture)
        return time.perf_counter() - start


def alone(args: tuple[Path, str]) -> tuple[float, float, float]:
    """Seconds in one process: the whole check, its look for the client, and its frames read and shown to the
    heavy model alone."""
    path, exercise = args
    cv2.setNumThreads(1)
    clip = video.probe(path)
    observe.look(clip, workers=1)  # loads what is loaded once a process
    before = time.perf_counter()
    observe.look(clip, workers=1)
    start = time.perf_counter()
    chosen = exercises.load(exercise)
    seen = observe.observe(clip, cloth=chosen.moves_pelvis, workers=1)
    pipeline.measure(path, chosen, observations=seen)
    between = time.perf_counter()
    with Follower() as model:
        for frame in video.frames(clip, video.sample_times(clip), threads=1):
            model.follow(frame.image)
    return between - start, start - before, time.perf_counter() - between


def peak_memory_mb() -> float:
    """Largest resident size of this process and of its largest child, added [MB]."""
    return (
        sum(resource.getrusage(w).ru_maxrss for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1024
    )


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clip", type=Path)
    parser.add_argument("--exercise", required=True)
    args = parser.parse_args()
    start = time.perf_counter()
    report = pipeline.check(args.clip, args.exercise)
    whole = time.perf_counter() - start
    memory, cores = peak_memory_mb(), len(os.sched_getaffinity(0))
    looks = len(report.series["time_s"])
    with ProcessPoolExecutor(cores, get_context("spawn")) as pool:
        bare = max(pool.map(bare_model, [(args.clip, looks // cores + 1)] * cores))
    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        check, look, pose = pool.submit(alone, (args.clip, args.exercise)).result()
    loop = straightforward_loop(args.clip)
    print(
        f"clip {report.clip.duration_s:.0f} s, {report.clip.frames} frames, {looks} looked at, {cores} cores"
    )
    print(f"whole check {whole:.1f} s; straightforward loop {loop:.1f} s: {loop / whole:.2f} times faster")
    print(f"bare heavy model on all cores {bare:.1f} s: the check runs at {100 * bare / whole:.0f} % of it")
    print(
        f"one process: check {check:.1f} s, its pose model {pose:.1f} s: {100 * (check / pose - 1):.0f} % is added, "
        f"{100 * look / pose:.0f} % of the pose model's time to find the client"
    )
    print(f"peak memory, main process and its largest worker: {memory:.0f} MB")


if __name__ == "__main__":
    main()
