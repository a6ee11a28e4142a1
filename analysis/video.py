"""The only codec import: true frame times, upright pictures, and the H.264 writer.

A clip is probed from its packets alone, so that times are those of the container and not of a
declared frame rate, which phones do not keep. Only the frames asked for are converted.
Pictures are uint8 RGB (height, width, 3), upright, y down.
"""

from __future__ import annotations

import os
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
from av.container import InputContainer, OutputContainer
from av.error import FFmpegError
from av.packet import Packet
from av.stream import Disposition
from av.video.frame import VideoFrame
from av.video.reformatter import VideoReformatter
from av.video.stream import VideoStream
from numpy.typing import NDArray

from analysis.errors import ClipError
from analysis.files import whole
from analysis.records import Clip

Image = NDArray[np.uint8]

# A slow repetition lasts 2-5 s, and six harmonics of 0.5 Hz end at 3 Hz, half of what 12.5 Hz can hold.
# The peak of a 60 deg sine at 0.5 Hz then reads at most 30 (1 - cos(pi 0.5 / 12.5)) = 0.24 deg low.
SAMPLE_RATE_HZ = 12.5
POSE_SHORT_SIDE_PX = 720  # the pose model itself looks at 256 x 256 px round the person

MIN_DURATION_S = 2.0
MAX_DURATION_S = 3600.0
MIN_SIDE_PX = 240
MAX_SIDE_PX = 8192
MAX_PIXELS = 40_000_000

_SEEK_GAP_S = 1.0  # below this gap decoding on is cheaper than seeking
_CLOCK_HZ = 90_000  # of written clips: the usual video clock, fine enough for every frame rate

# Playlists and image patterns would open other files or addresses: phones write none of them.
_OPEN_OPTIONS = {"format_whitelist": "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm", "protocol_whitelist": "file"}


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture: time since the first frame of the clip [s], upright RGB (height, width, 3)."""

    time_s: float
    image: Image


def probe(path: Path | str) -> Clip:
    """Read size, rotation and the time of every frame, without decoding more than the first.

    Raises ClipError when the file is missing, unreadable, empty, cut off, not a video, too short,
    too long, too small or too large; the message says what to do.
    """
    path = Path(path)
    _check_file(path)
    with _opened(path) as (container, stream):
        _check_size(path, stream.width, stream.height)
        packets = {
            p.pts: p.is_keyframe for p in container.demux(stream) if p.pts is not None and not p.is_discard
        }
        pts = sorted(packets)
        declared = None if container.duration is None else container.duration / av.time_base
        _check_duration(path, len(pts), _seconds(stream, pts[-1] - pts[0]) if pts else 0.0, declared)
        first = _first_frame(path, container, stream)
        rotation = round(first.rotation / 90) * 90 % 360
        # Some cameras store oblong pixels; angles need square ones.
        width, height = round(first.width * (stream.sample_aspect_ratio or 1)), first.height
        _check_size(path, width, height)
        if rotation % 180:
            width, height = height, width
        times = {p: _seconds(stream, p - pts[0]) for p in pts}
        keys = tuple(t for p, t in times.items() if packets[p]) or (0.0,)
        return Clip(path, tuple(times.values()), width, height, rotation, declared, pts[0], keys)


def cut_short(clip: Clip) -> bool:
    """Whether clearly less than the declared duration is there: the end of the file is missing.

    A tenth of the clip, and at least one second, may differ: sound may outlast the picture.
    """
    missing_s = (clip.declared_duration_s or 0.0) - clip.duration_s
    return missing_s > max(1.0, 0.1 * clip.duration_s)


def sample_times(clip: Clip, rate_hz: float = SAMPLE_RATE_HZ) -> tuple[float, ...]:
    """Times of the real frames nearest to an even grid [s]; each once, never more than there are."""
    grid = np.arange(0.0, clip.time_s[-1] + 0.5 / rate_hz, 1.0 / rate_hz)
    return _nearest(clip, grid.tolist())


def near_key(clip: Clip, time_s: float, within_s: float) -> float:
    """Time of the nearest frame at which decoding can start, if it is near; else the time itself [s]."""
    at = bisect_left(clip.key_times_s, time_s)
    best = min(clip.key_times_s[max(0, at - 1) : at + 1], key=lambda t: abs(t - time_s))
    return best if abs(best - time_s) <= within_s else time_s


def frames(
    clip: Clip, times_s: Sequence[float], *, short_side_px: int | None = POSE_SHORT_SIDE_PX, threads: int = 0
) -> Iterator[Frame]:
    """Yield the real frames nearest to the times, in order, each once; damaged ones are left out.

    The shorter side is scaled down to `short_side_px` (None: full size; never up).
    `threads` is the number of decoding threads; 0 lets the codec choose. Raises ClipError.
    """
    wanted = _nearest(clip, times_s)
    with _opened(clip.path) as (container, stream):
        # Set before the first packet: a decoder cannot change its threads later.
        stream.thread_type, stream.codec_context.thread_count = "AUTO", threads
        picture = _Picture(clip, short_side_px)
        for run in _runs(clip, wanted):
            for raw in _decode_run(clip, container, stream, run):
                yield Frame(_seconds(stream, (raw.pts or 0) - clip.first_pts), picture.upright(raw))


def _check_file(path: Path) -> None:
    if not path.exists():
        raise ClipError(f"There is no file {path}. Check the name and the folder.")
    if path.is_dir():
        raise ClipError(f"{path} is a folder. Name the clip inside it.")
    if not os.access(path, os.R_OK):
        raise ClipError(f"{path} may not be read. Ask for permission to read it, or copy it to your folder.")
    if path.stat().st_size == 0:
        raise ClipError(f"{path} is empty. Copy it again from the phone; the first copy did not finish.")


@contextmanager
def _opened(path: Path) -> Iterator[tuple[InputContainer, VideoStream]]:
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
        return (
            f"{path} is damaged or cut off: its end is missing. Copy it again from the phone, or film again."
        )
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
    if span_s < MIN_DURATION_S <= (declared_s or 0.0) <= MAX_DURATION_S:
        raise ClipError(_cut_off(path))
    if count < 2 or span_s < MIN_DURATION_S:
        raise ClipError(
            f"{path} is too short: {count} pictures in {span_s:.1f} s. "
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


def _seconds(stream: VideoStream, ticks: int) -> float:
    return float(ticks * (stream.time_base or Fraction(1, _CLOCK_HZ)))


def _nearest(clip: Clip, times_s: Sequence[float]) -> tuple[float, ...]:
    real, last = clip.time_s, len(clip.time_s) - 1
    after = (min(bisect_left(real, t), last) for t in times_s)
    index = {
        i - 1 if i and t - real[i - 1] <= real[i] - t else i for i, t in zip(after, times_s, strict=True)
    }
    return tuple(real[i] for i in sorted(index))


def _runs(clip: Clip, times_s: Sequence[float]) -> Iterator[tuple[float, ...]]:
    """Split where a key frame lies within a long gap, so that it pays to seek."""
    key_before = [bisect_right(clip.key_times_s, t) for t in times_s]
    splits = [
        i
        for i in range(1, len(times_s))
        if times_s[i] - times_s[i - 1] > _SEEK_GAP_S and key_before[i] > key_before[i - 1]
    ]
    for start, stop in pairwise([0, *splits, len(times_s)]):
        yield tuple(times_s[start:stop])


def _decode_run(
    clip: Clip, container: InputContainer, stream: VideoStream, run: tuple[float, ...]
) -> Iterator[VideoFrame]:
    """Decode from the key frame before the run; skip what no wanted picture depends on."""
    if not run:
        return
    wanted = {clip.first_pts + round(t / float(stream.time_base or 1)) for t in run}
    last = max(wanted)
    container.seek(min(wanted), stream=stream, backward=True)
    for packet in container.demux(stream):
        stream.codec_context.skip_frame = "DEFAULT" if packet.pts in wanted else "NONREF"
        for frame in _decoded(packet):
            if frame.pts in wanted and not frame.is_corrupt:
                yield frame
            if frame.pts is not None and frame.pts >= last:
                return


def _decoded(packet: Packet[VideoStream]) -> list[VideoFrame]:
    """Pictures of a packet; none of a damaged one, so that one bad spot does not lose the clip."""
    try:
        return packet.decode()
    except FFmpegError:
        return []


class _Picture:
    """Scales and turns decoded pictures; keeps the scaler between them."""

    def __init__(self, clip: Clip, short_side_px: int | None) -> None:
        short = min(clip.width, clip.height)
        scale = 1.0 if short_side_px is None else min(1.0, short_side_px / short)
        upright = (round(clip.width * scale), round(clip.height * scale))
        self._quarter_turns = clip.rotation_deg // 90
        self._size = upright[::-1] if self._quarter_turns % 2 else upright
        self._scaler = VideoReformatter()
        self._method = "AREA" if scale < 1 else "POINT"  # unscaled, the others cost more for the same

    def upright(self, raw: VideoFrame) -> Image:
        width, height = self._size
        rgb = self._scaler.reformat(raw, width, height, "rgb24", interpolation=self._method, threads=1)
        return np.ascontiguousarray(np.rot90(rgb.to_ndarray(), self._quarter_turns))


def write_video(path: Path | str, pictures: Iterable[Frame], *, quality: int = 23) -> None:
    """Write pictures of one size as H.264 MP4 with their own times, ready to stream.

    Odd sizes lose their last row or column, which the format cannot hold. `quality` is x264's
    constant rate factor: smaller is better and larger in bytes. Raises ReportError; the file appears only
    when it is whole.
    """
    with (
        whole(path) as part,
        av.open(f"file:{part}", "w", format="mp4", options={"movflags": "faststart"}) as container,
    ):
        _encode(container, pictures, quality)


def _encode(container: OutputContainer, pictures: Iterable[Frame], quality: int) -> None:
    stream: VideoStream | None = None
    for picture in pictures:
        height, width = (side // 2 * 2 for side in picture.image.shape[:2])
        if stream is None:
            stream = container.add_stream("libx264", options={"crf": str(quality), "preset": "veryfast"})
            stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
            stream.codec_context.time_base = Fraction(1, _CLOCK_HZ)
        frame = VideoFrame.from_ndarray(np.ascontiguousarray(picture.image[:height, :width]), format="rgb24")
        frame.pts, frame.time_base = round(picture.time_s * _CLOCK_HZ), Fraction(1, _CLOCK_HZ)
        container.mux(stream.encode(frame))
    if stream is not None:
        container.mux(stream.encode(None))
