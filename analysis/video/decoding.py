"""The pictures asked for, upright, with their own times."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from av.container import InputContainer
from av.error import FFmpegError
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.reformatter import VideoReformatter
from av.video.stream import VideoStream
from numpy.typing import NDArray

from analysis.records import Clip
from analysis.video.probing import opened, seconds

Image = NDArray[np.uint8]

# A slow repetition lasts 2-5 s, and six harmonics of 0.5 Hz end at 3 Hz, half of what 12 Hz can hold.
# The peak of a 60 deg sine at 0.5 Hz then reads at most 30 (1 - cos(pi 0.5 / 12)) = 0.26 deg low. At 10 Hz
# angles are as good, but rushed repetitions are told less well. Most frame rates are multiples of 12.
SAMPLE_RATE_HZ = 12.0
POSE_SHORT_SIDE_PX = 720  # the pose model itself looks at 256 x 256 px round the person

_SEEK_GAP_S = 1.0  # below this gap decoding on is cheaper than seeking


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture: time since the first frame of the clip [s], upright RGB (height, width, 3)."""

    time_s: float
    image: Image


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
    with opened(clip.path) as (container, stream):
        # Set before the first packet: a decoder cannot change its threads later.
        stream.thread_type, stream.codec_context.thread_count = "AUTO", threads
        picture = _Picture(clip, short_side_px)
        for run in _runs(clip, wanted):
            for raw in _decode_run(clip, container, stream, run):
                yield Frame(seconds(stream, (raw.pts or 0) - clip.first_pts), picture.upright(raw))


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
