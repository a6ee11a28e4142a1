"""Writes pictures as H.264, and copies the moving picture of a clip alone."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.container import InputContainer, OutputContainer
from av.error import FFmpegError
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from analysis.errors import ClipError
from analysis.files import whole
from analysis.video.decoding import Frame
from analysis.video.notes import Notes
from analysis.video.probing import CLOCK_HZ, opened

_MATROSKA_ONLY = {"vp8", "vp9"}


def write_video(path: Path | str, pictures: Iterable[Frame], *, quality: int = 23) -> None:
    """Write pictures of one size as H.264 MP4 with their own times, ready to stream.

    Odd sizes lose their last row or column, which the format cannot hold. `quality` is x264's
    constant rate factor: smaller is better and larger in bytes. Raises ReportError; the file appears only
    when it is whole.
    """
    with whole(path) as part:
        write_in_place(part, pictures, quality=quality)


def write_in_place(path: Path | str, pictures: Iterable[Frame], *, quality: int = 23) -> None:
    """The same into a file that nobody else looks at, and that may have no name in any folder."""
    with av.open(f"file:{path}", "w", format="mp4", options={"movflags": "faststart"}) as container:
        _encode(container, pictures, quality)


def _encode(container: OutputContainer, pictures: Iterable[Frame], quality: int) -> None:
    stream: VideoStream | None = None
    for picture in pictures:
        height, width = (side // 2 * 2 for side in picture.image.shape[:2])
        if stream is None:
            stream = container.add_stream("libx264", options={"crf": str(quality), "preset": "veryfast"})
            stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
            stream.codec_context.time_base = Fraction(1, CLOCK_HZ)
        frame = VideoFrame.from_ndarray(np.ascontiguousarray(picture.image[:height, :width]), format="rgb24")
        frame.pts, frame.time_base = round(picture.time_s * CLOCK_HZ), Fraction(1, CLOCK_HZ)
        container.mux(stream.encode(frame))
    if stream is not None:
        container.mux(stream.encode(None))


def copy_picture(source: Path, target: Path) -> None:
    """Copy the moving picture alone, packet by packet: no sound, place, device, date or other tracks.

    What a camera noted between the pictures is left out, too (`notes`).
    Raises ClipError where the packets cannot be read or written.
    """
    with opened(source) as (container, stream):
        form = "matroska" if stream.codec_context.name in _MATROSKA_ONLY else "mp4"
        try:
            with av.open(f"file:{target}", "w", format=form, options={"fflags": "+bitexact"}) as clean:
                _copy_packets(container, stream, clean)
        except (FFmpegError, OSError) as error:
            raise ClipError(
                f"{source} cannot be copied. Film again, in the phone's most compatible format."
            ) from error


def _copy_packets(container: InputContainer, stream: VideoStream, clean: OutputContainer) -> None:
    copy = clean.add_stream_from_template(stream)
    copy.metadata.clear()
    settings = stream.codec_context.extradata or b""
    notes = Notes(stream.codec_context.name, settings)
    if notes.settings() != settings:
        copy.codec_context.extradata = notes.settings()
    for packet in container.demux(stream):
        if packet.dts is not None:
            bare = _without_notes(packet, notes)
            bare.stream = copy
            clean.mux(bare)


def _without_notes(packet: Packet[VideoStream], notes: Notes) -> Packet[Any]:
    """The packet itself where nothing is noted in it."""
    there = bytes(packet)
    kept = notes.without(there)
    if kept == there:
        return packet
    bare: Packet[Any] = Packet(kept)
    bare.pts, bare.dts, bare.duration = packet.pts, packet.dts, packet.duration
    bare.time_base, bare.is_keyframe = packet.time_base, packet.is_keyframe
    return bare
