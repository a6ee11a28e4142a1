"""Stand-ins for measuring: quick, and misbehaving in the ways that a clip can make a program misbehave."""

import json
import os
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from analysis import cautions, video
from analysis.records import (
    JOINTS,
    Capture,
    ClipSummary,
    Finding,
    Measures,
    Observations,
    Repetition,
    Report,
    Skeleton,
)
from service.measure import Measured, Order

Progress = Callable[[float], None]


def quick(order: Order, progress: Progress) -> Measured:
    """Say at once that one repetition was found."""
    progress(0.5)
    clip = video.probe(order.path)
    seen = observations(clip.width, clip.height, clip.duration_s)
    return Measured(report(order, clip.duration_s), seen, skeleton(seen))


def empty(order: Order, progress: Progress) -> Measured:
    """See the person, but no repetition."""
    done = quick(order, progress)
    unseen = finding("not_measurable").model_copy(update={"message": "The pelvis was hidden.", "cue": ""})
    bare = done.report.model_copy(update={"repetitions": (), "findings": (unseen,)})
    return replace(done, report=bare)


def slow(order: Order, progress: Progress) -> Measured:
    """Take as long as `MATLINE_STANDIN_S` says, and append a line to `MATLINE_STANDIN_LOG` at the end."""
    seconds = float(os.environ.get("MATLINE_STANDIN_S", "0.5"))
    for step in range(10):
        time.sleep(seconds / 10)
        progress(step / 10)
    done = quick(order, progress)
    if path := os.environ.get("MATLINE_STANDIN_LOG"):
        with open(path, "a") as log:
            log.write(f"{order.notes.client} {os.getpid()}\n")
    return done


def dying(order: Order, progress: Progress) -> Measured:
    """End the process without a word, as a fault in native code does."""
    os._exit(11)


def hungry(order: Order, progress: Progress) -> Measured:
    """Take more and more memory."""
    held = []
    while True:
        held.append(np.ones(4_000_000))
        time.sleep(0.01)


def endless(order: Order, progress: Progress) -> Measured:
    """Never come to an end."""
    while True:
        progress(0.1)
        time.sleep(0.05)


def finding(kind: str = "pelvis_tilted") -> Finding:
    """A finding that anybody can check."""
    return Finding(
        kind=kind,
        value=8.0,
        limit=5.0,
        unit="deg",
        uncertainty=2.0,
        at_s=1.0,
        message="The pelvis tilted 8 deg.",
        cue="Make the movement smaller.",
        source="stand-in",
    )


def report(order: Order, duration_s: float) -> Report:
    """A small report with one flagged repetition."""
    size = ClipSummary(duration_s=duration_s, frames=10, frames_measured=10, width=320, height=240)
    repetition = Repetition(
        index=1,
        side="left",
        start_s=0.5,
        turn_s=1.0,
        end_s=1.5,
        measures=Measures(range_deg=30.0, out_s=0.5, back_s=0.5, pelvis_deg=8.0),
        findings=(finding(), finding()),
        verdict="flagged",
    )
    return Report(
        exercise=order.exercise,
        clip=size,
        capture=Capture(view="side", usable=True),
        series={"time_s": (0.0, 1.0, 2.0), "pelvic_tilt": (0.0, 8.0, None)},
        uncertainty_deg={"pelvic_tilt": 2.0},
        pelvis_source="landmarks",
        repetitions=(repetition,),
        findings=(finding("sides_uneven"),),
        cautions=cautions.load().caution,
        session=order.notes,
    )


def observations(width: int, height: int, duration_s: float) -> Observations:
    """A body that lies still; the last landmark is never seen."""
    t = np.linspace(0, duration_s, 10)
    points = np.tile(np.linspace(0.3, 0.6, 33)[:, None] * (width, height), (len(t), 1, 1))
    points[:, 32] = np.nan
    blank = np.full(len(t), np.nan)
    fields = dict.fromkeys(Observations.__dataclass_fields__, blank)
    fields |= {"time_s": t, "landmarks_px": points, "people": np.ones(len(t))}
    return Observations(**{**fields, "width": width, "height": height})


def skeleton(seen: Observations) -> Skeleton:
    """Joints that lie still, each a centimetre further along the mat than the one before."""
    joints = np.zeros((len(seen.time_s), len(JOINTS), 3)) + np.arange(len(JOINTS))[:, None] * (0, 1.0, 0)
    return Skeleton(seen.time_s, {}, joints)


def ordered(order: Order, progress: Progress) -> Measured:
    """Say what was ordered."""
    done = quick(order, progress)
    words = json.dumps({"side": order.side} | order.prescription.model_dump(exclude_none=True))
    told = finding("not_measurable").model_copy(update={"message": words})
    return replace(done, report=done.report.model_copy(update={"findings": (told,)}))
