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
from analysis.records import Clip, Floats, Observations, Report
from analysis.video import Frame, Image

RATE_HZ: Final = 25.0
THUMBNAIL_PX: Final = 560  # width
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


def blurred(clip: Clip, observations: Observations) -> Iterator[Frame]:
    """The clip's pictures with faces blurred and nothing drawn. Raises ClipError."""
    blur = FaceBlur(observations)
    return _walk(clip, lambda frame: _plain(frame, blur), None)


def thumbnails(
    clip: Clip, observations: Observations, report: Report, *, blur_faces: bool = True
) -> dict[float, bytes]:
    """JPEG pictures of the client, skeleton drawn, by the `at_s` of their finding; the first 60 at most."""
    moments = sorted({m.finding.at_s for m in tagged(report) if m.finding.at_s is not None})
    moments = moments[:MOST_THUMBNAILS]
    figure, blur = Figure(observations, report), FaceBlur(observations) if blur_faces else None
    rows, columns = _around_client(observations)
    taken: dict[float, bytes] = {}
    for frame in video.frames(clip, moments):
        picture = _plain(frame, blur)
        figure.draw(picture, frame.time_s)
        taken[frame.time_s] = _jpeg(picture[_part(rows, picture.shape[0]), _part(columns, picture.shape[1])])
    # A damaged frame yields no picture: take the nearest that is there.
    return {at_s: taken[min(taken, key=lambda t: abs(t - at_s))] for at_s in moments if taken}


def _around_client(observations: Observations) -> Floats:
    """Rows and columns (2, 2) that hold the client all through the clip with some room, as shares.

    One frame for all pictures, so that they can be compared; the whole picture where nobody was seen.
    """
    size = np.array([observations.width, observations.height])
    points = observations.landmarks_px[np.isfinite(observations.landmarks_px).all(axis=2)] / size  # (N, 2)
    if not len(points):
        return np.array([[0.0, 1.0], [0.0, 1.0]])
    low, high = np.quantile(points, [0.01, 0.99], axis=0)
    room = 0.12 * (high - low).max() * size.max() / size
    shares: Floats = np.stack([low - room, high + room], axis=1)[::-1].clip(0.0, 1.0)
    return shares


def _part(shares: Floats, length: int) -> slice:
    first, last = (shares * length).round().astype(int)
    return slice(first, max(last, first + 2))


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
    scale = min(1.0, THUMBNAIL_PX / picture.shape[1])
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    bgr = np.ascontiguousarray(small[:, :, ::-1])
    return bytes(cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])[1])
