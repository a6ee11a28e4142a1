"""Draws skeleton, pelvis line, repetition and findings; one picture in memory at a time."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import cv2
import numpy as np

from analysis import video
from analysis.overlay.caption import Captions
from analysis.overlay.faces import FaceBlur
from analysis.overlay.figure import Figure
from analysis.plots import tagged
from analysis.records import Clip, Observations, Report
from analysis.video import Frame, Image

RATE_HZ: Final = 25.0
THUMBNAIL_PX: Final = 360  # short side
MOST_THUMBNAILS: Final = 60
JPEG_QUALITY: Final = 80

Progress = Callable[[float], None]


def write_video(
    path: Path | str,
    clip: Clip,
    observations: Observations,
    report: Report,
    *,
    blur_faces: bool = True,
    progress: Progress | None = None,
) -> None:
    """Write the annotated clip as H.264; memory does not grow with its length.

    Skeleton and pelvis line lie over the picture; the repetition and the findings, as they happen, are
    told in a strip below it. `progress` is called with the share done. Raises ClipError.
    """
    figure, captions = Figure(observations, report), Captions(report)
    blur = FaceBlur(observations) if blur_faces else None

    def annotated(frame: Frame) -> Image:
        picture = _plain(frame, blur)
        figure.draw(picture, frame.time_s)
        return np.vstack((picture, captions.strip(picture, frame.time_s)))

    video.write_video(path, _walk(clip, annotated, progress))


def write_blurred(
    path: Path | str, clip: Clip, observations: Observations, *, progress: Progress | None = None
) -> None:
    """Write the clip as H.264 with faces blurred and nothing drawn. Raises ClipError."""
    blur = FaceBlur(observations)
    video.write_video(path, _walk(clip, lambda frame: _plain(frame, blur), progress))


def thumbnails(
    clip: Clip, observations: Observations, report: Report, *, blur_faces: bool = True
) -> dict[float, bytes]:
    """JPEG pictures by the `at_s` of their finding, with the skeleton drawn; the first 60 at most."""
    moments = sorted({m.finding.at_s for m in tagged(report) if m.finding.at_s is not None})
    moments = moments[:MOST_THUMBNAILS]
    figure, blur = Figure(observations, report), FaceBlur(observations) if blur_faces else None
    taken: dict[float, bytes] = {}
    for frame in video.frames(clip, moments, short_side_px=THUMBNAIL_PX):
        picture = _plain(frame, blur)
        figure.draw(picture, frame.time_s)
        taken[frame.time_s] = _jpeg(picture)
    # A damaged frame yields no picture: take the nearest that is there.
    return {at_s: taken[min(taken, key=lambda t: abs(t - at_s))] for at_s in moments if taken}


def _walk(clip: Clip, draw: Callable[[Frame], Image], progress: Progress | None) -> Iterator[Frame]:
    for frame in video.frames(clip, video.sample_times(clip, RATE_HZ)):
        yield Frame(frame.time_s, draw(frame))
        if progress:
            progress(min(1.0, frame.time_s / clip.duration_s))


def _plain(frame: Frame, blur: FaceBlur | None) -> Image:
    picture = frame.image.copy()
    if blur:
        blur(picture, frame.time_s)
    return picture


def _jpeg(picture: Image) -> bytes:
    bgr = np.ascontiguousarray(picture[:, :, ::-1])
    return bytes(cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])[1])
