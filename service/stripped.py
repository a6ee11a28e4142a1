"""A clip without its metadata and sound: what is stored is only the moving picture."""

from pathlib import Path

import av
from av.error import FFmpegError
from av.stream import Disposition

from analysis.errors import ClipError

_MATROSKA_ONLY = {"vp8", "vp9"}
_READ = {"format_whitelist": "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm", "protocol_whitelist": "file"}


def write(source: Path, target: Path) -> None:
    """Copy the moving picture alone, packet by packet: no sound, place, device, date or other tracks.

    Raises ClipError where the packets cannot be written.
    """
    try:
        with av.open(f"file:{source}", options=_READ) as whole:
            stream = next(s for s in whole.streams.video if not s.disposition & Disposition.attached_pic)
            form = "matroska" if stream.codec_context.name in _MATROSKA_ONLY else "mp4"
            with av.open(f"file:{target}", "w", format=form, options={"fflags": "+bitexact"}) as clean:
                copy = clean.add_stream_from_template(stream)
                copy.metadata.clear()
                for packet in whole.demux(stream):
                    if packet.dts is not None:
                        packet.stream = copy
                        clean.mux(packet)
    except (FFmpegError, OSError, StopIteration) as error:
        raise ClipError(
            f"{source} cannot be copied. Film again, in the phone's most compatible format."
        ) from error
