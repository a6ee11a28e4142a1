"""What container and packets tell of a clip, and why one cannot be used."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path

import av
from av.container import InputContainer
from av.error import FFmpegError
from av.stream import Disposition
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from analysis.errors import ClipError
from analysis.records import Clip

MIN_DURATION_S = 2.0
MAX_DURATION_S = 3600.0
MIN_SIDE_PX = 240
MAX_SIDE_PX = 8192
MAX_PIXELS = 40_000_000
CLOCK_HZ = 90_000  # the usual video clock, fine enough for every frame rate

# Playlists and image patterns would open other files or addresses: phones write none of them.
_OPEN_OPTIONS = {"format_whitelist": "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm", "protocol_whitelist": "file"}


def probe(path: Path | str) -> Clip:
    """Read size, rotation and the time of every frame, without decoding more than the first.

    Raises ClipError when the file is missing, unreadable, empty, cut off, not a video, too short,
    too long, too small or too large; the message says what to do.
    """
    path = Path(path)
    _check_file(path)
    with opened(path) as (container, stream):
        _check_size(path, stream.width, stream.height)
        packets = {
            p.pts: (p.is_keyframe, p.size)
            for p in container.demux(stream)
            if p.pts is not None and not p.is_discard
        }
        pts = sorted(packets)
        declared = None if container.duration is None else container.duration / av.time_base
        _check_duration(path, len(pts), seconds(stream, pts[-1] - pts[0]) if pts else 0.0, declared)
        first = _first_frame(path, container, stream)
        rotation = round(first.rotation / 90) * 90 % 360
        # Some cameras store oblong pixels; angles need square ones.
        width, height = round(first.width * (stream.sample_aspect_ratio or 1)), first.height
        _check_size(path, width, height)
        if rotation % 180:
            width, height = height, width
        times = {p: seconds(stream, p - pts[0]) for p in pts}
        keys = tuple(t for p, t in times.items() if packets[p][0]) or (0.0,)
        size = sum(size for _, size in packets.values())
        return Clip(path, tuple(times.values()), width, height, rotation, declared, pts[0], keys, size)


def cut_short(clip: Clip) -> bool:
    """Whether clearly less than the declared duration is there: the end of the file is missing."""
    return _missing(clip.duration_s, clip.declared_duration_s)


def _missing(there_s: float, declared_s: float | None) -> bool:
    """A tenth of the clip, and at least one second, may differ: sound may outlast the picture [s]."""
    return (declared_s or 0.0) - there_s > max(1.0, 0.1 * there_s)


def _check_file(path: Path) -> None:
    try:
        size = path.stat().st_size
    except (FileNotFoundError, NotADirectoryError) as error:
        raise ClipError(f"There is no file {path}. Check the name and the folder.") from error
    except OSError as error:
        raise ClipError(
            f"{path} cannot be reached ({error.strerror}). Copy it to your own folder."
        ) from error
    if path.is_dir():
        raise ClipError(f"{path} is a folder. Name the clip inside it.")
    if not os.access(path, os.R_OK):
        raise ClipError(f"{path} may not be read. Ask for permission to read it, or copy it to your folder.")
    if size == 0:
        raise ClipError(f"{path} is empty. Copy it again from the phone; the first copy did not finish.")


@contextmanager
def opened(path: Path) -> Iterator[tuple[InputContainer, VideoStream]]:
    """Open a clip at its moving picture. Raises ClipError, also for what goes wrong while it is open."""
    try:
        # The prefix keeps a name such as "concat:a" a name.
        with av.open(f"file:{path}", options=_OPEN_OPTIONS) as container:
            videos = [s for s in container.streams.video if not s.disposition & Disposition.attached_pic]
            if not videos:
                raise ClipError(f"{path} holds no moving picture, only sound or data. Choose the video file.")
            yield container, videos[0]
    except (FFmpegError, OSError) as error:
        raise ClipError(_why_unreadable(path)) from error


def _why_unreadable(path: Path) -> str:
    with path.open("rb") as file:
        head = file.read(12)
    if head[4:8] in (b"ftyp", b"mdat", b"moov", b"wide") or head[:4] == b"\x1aE\xdf\xa3":
        return _cut_off(path)
    return f"{path} is not a video that can be read. Use the MP4, MOV or WebM file as the phone made it."


def _cut_off(path: Path) -> str:
    return f"{path} is damaged or cut off: its end is missing. Copy it again from the phone, or film again."


def _check_size(path: Path, width: int, height: int) -> None:
    if max(width, height) > MAX_SIDE_PX or width * height > MAX_PIXELS:
        raise ClipError(
            f"{path} claims {width} x {height} pixels, more than can be read. Film in 1080p, which is plenty."
        )
    if min(width, height) < MIN_SIDE_PX:
        raise ClipError(
            f"{path} has only {width} x {height} pixels, too few to see the joints. "
            "Send the original file, not a preview, or film in 720p or 1080p."
        )


def _check_duration(path: Path, count: int, span_s: float, declared_s: float | None) -> None:
    there_s = round(span_s * count / max(count - 1, 1), 1)  # to the end of the last picture
    if there_s < MIN_DURATION_S and _missing(there_s, declared_s) and (declared_s or 0.0) <= MAX_DURATION_S:
        raise ClipError(_cut_off(path))
    if count < 2 or there_s < MIN_DURATION_S:
        raise ClipError(
            f"{path} is too short: {count} picture{'' if count == 1 else 's'} in {there_s:.1f} s. "
            f"Film at least {MIN_DURATION_S:.0f} s: a few still seconds, then the exercise."
        )
    longest_s = max(span_s, declared_s or 0.0)
    if longest_s > MAX_DURATION_S:
        raise ClipError(
            f"{path} claims to last {longest_s / 60:.0f} min; at most {MAX_DURATION_S / 60:.0f} are read. "
            "Send a clip of one exercise."
        )


def _first_frame(path: Path, container: InputContainer, stream: VideoStream) -> VideoFrame:
    container.seek(0)
    for frame in container.decode(stream):
        return frame
    raise ClipError(
        f"No picture of {path} can be decoded. Film again, in the phone's most compatible format."
    )


def seconds(stream: VideoStream, ticks: int) -> float:
    """Ticks of the stream's clock [s]."""
    return float(ticks * (stream.time_base or Fraction(1, CLOCK_HZ)))
