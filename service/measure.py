"""What the limited process does with a clip: measure it, keep track and joints, make the video to watch.

`measure` is the real measuring, with the pose model. Tests of the queue put a stand-in in its
place (setting `measure`), which must have the same signature.
"""

import gzip
import json
import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, get_args

import numpy as np

from analysis import exercises, overlay, video
from analysis.conventions import Side
from analysis.errors import ClipError
from analysis.exercises import Prescription
from analysis.observe import kept
from analysis.records import Clip, Number, Observations, Report, SessionNotes, Skeleton
from analysis.video import Frame
from service import drawings, joints, motion
from service.child import Tell, resolve
from service.errors import Refused
from service.files import Kind

REVIEW_HZ = 30.0
LOOK_SHARE = 0.02  # of the progress: the look all over a long clip
MEASURING_SHARE = 0.75  # up to the video to watch
# Files of what comes out; the texts by their columns of `StoredReport`.
TEXTS = {"body": "report.json", "slim": "slim.json", "curves": "curves.json"}
FILES: Final[tuple[Kind, ...]] = ("track.json.gz", "review.mp4", "joints.npz")
TRACK, REVIEW, JOINTS = FILES
RESULTS = (*TEXTS.values(), *FILES)


@dataclass(frozen=True)
class Order:
    """What to measure: an accepted clip, and what is known about it; of a long one, what its parts showed."""

    path: Path
    exercise: str
    side: str
    prescription: Prescription
    notes: SessionNotes
    observations: Observations | None = None


@dataclass(frozen=True, eq=False)
class Measured:
    """A report, and what it was made of."""

    report: Report
    observations: Observations
    skeleton: Skeleton


Measure = Callable[[Order, Callable[[float], None]], Measured]


def measure(order: Order, progress: Callable[[float], None]) -> Measured:
    """Measure with the pose model; raises ClipError."""
    from analysis import pipeline  # with the pose model, which a stand-in does not need

    side: Side | None = next((s for s in get_args(Side) if s == order.side), None)
    done = pipeline.measure(
        order.path,
        exercises.load(order.exercise),
        side,
        prescription=order.prescription,
        session=order.notes,
        observations=order.observations,
        progress=progress,
    )
    return Measured(done.report, done.observations, done.skeleton)


def look(tell: Tell, source: str, part_s: float) -> dict[str, Any]:
    """Look all over a long clip: what its parts start from, and how many there are."""
    from analysis import observe

    tell("measuring", 0.0)
    with _refusing(source):
        clip = video.probe(source)
        seen = observe.look(clip, progress=lambda share: tell("measuring", LOOK_SHARE * share))
        count = min(math.ceil(clip.duration_s / part_s), observe.most_parts(clip))
    return {"survey": kept.survey_to_json(seen), "count": count}


def part(
    tell: Tell, source: str, target: str, exercise: str, survey: dict[str, Any], number: int, of: int
) -> dict[str, Any]:
    """Measure part `number` (from 1) of so many, and keep what it shows in a file."""
    from analysis import observe

    with _refusing(source):
        seen, clip = kept.survey_from_json(survey), video.probe(source)
        found = observe.observe_part(
            clip,
            seen,
            number - 1,
            of,
            cloth=exercises.load(exercise).moves_pelvis,
            progress=lambda share: tell("measuring", share),
        )
    kept.save_part(Path(target), found)
    return {}


def whole(
    tell: Tell,
    source: str,
    results: dict[str, str],
    exercise: str,
    side: str,
    prescription: dict[str, Any],
    notes: dict[str, Any],
    blur: bool,
    measure: str,
    survey: dict[str, Any] | None = None,
    parts: Sequence[str] = (),
) -> dict[str, Any]:
    """Measure a clip, or join the files of its parts, and write report, track, joints and video into files.

    results: the file of each of `RESULTS`. Returns what lists need.
    """
    call: Measure = resolve(measure)
    begun = MEASURING_SHARE if survey else 0.0
    tell("measuring", begun)
    with _refusing(source):
        order = Order(
            Path(source),
            exercise,
            side,
            Prescription(**prescription),
            SessionNotes.model_validate(notes),
            _joined(source, survey, parts) if survey else None,
        )
        result = call(order, lambda share: tell("measuring", max(begun, MEASURING_SHARE * share)))
        _write(tell, result, order.path, {name: Path(file) for name, file in results.items()}, blur)
    return summary(result.report)


def _joined(source: str, survey: dict[str, Any], parts: Sequence[str]) -> Observations:
    from analysis import observe

    found = [kept.load_part(Path(name)) for name in parts]
    return observe.join(video.probe(source), kept.survey_from_json(survey), found)


@contextmanager
def _refusing(source: str) -> Iterator[None]:
    try:
        yield
    except ClipError as error:
        raise Refused(str(error).replace(source, "The clip")) from error


def summary(report: Report) -> dict[str, Any]:
    """What lists show of a report."""
    return {
        "usable": report.capture.usable,
        "repetitions": len(report.repetitions),
        "ranges": motion.ranges(report),
        "flagged": sum(r.verdict == "flagged" for r in report.repetitions),
    }


def texts(report: Report) -> dict[str, str]:
    """What is kept of a report, by columns of `StoredReport`: whole, without its curves, and drawn."""
    return {
        "body": report.model_dump_json(by_alias=True),
        "slim": slim(report),
        "curves": drawings.drawn(report).model_dump_json(),
    }


def slim(report: Report) -> str:
    """A report without its curves, as JSON: what results over weeks need, a hundredth of the size."""
    bare: dict[str, tuple[Number, ...]] = dict.fromkeys(report.series, ())
    return report.model_copy(update={"series": bare}).model_dump_json(by_alias=True)


def track_json(seen: Observations) -> bytes:
    """The body in the picture as compressed JSON, as `records.clips.TrackOut` has it.

    1/1000 of the picture is finer than any screen shows.
    """
    shares = np.round(seen.landmarks_px / (seen.width, seen.height), 3)
    points = [[None if np.isnan(p).any() else p.tolist() for p in body] for body in shares]
    text = json.dumps({"time_s": np.round(seen.time_s, 3).tolist(), "points": points})
    return gzip.compress(text.encode(), compresslevel=5)


def _write(tell: Tell, result: Measured, source: Path, out: dict[str, Path], blur: bool) -> None:
    for column, text in texts(result.report).items():
        out[TEXTS[column]].write_text(text)
    out[TRACK].write_bytes(track_json(result.observations))
    joints.write(result.skeleton, out[JOINTS])
    clip = video.probe(source)

    def progress(share: float) -> None:
        tell("video", MEASURING_SHARE + (1 - MEASURING_SHARE) * share)

    write_review(clip, result.observations, out[REVIEW], blur, progress)


def write_review(
    clip: Clip, observations: Observations, target: Path, blur: bool, progress: Callable[[float], None]
) -> None:
    """Write the video to watch: H.264, upright, at most 720 lines and 30 pictures a second."""
    plain = video.frames(clip, video.sample_times(clip, REVIEW_HZ))
    pictures = overlay.blurred(clip, observations) if blur else plain

    def told() -> Iterator[Frame]:
        for picture in pictures:
            progress(min(1.0, picture.time_s / clip.duration_s))
            yield picture

    progress(0.0)
    video.write_in_place(target, told())
