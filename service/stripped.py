"""What the limited process does with a file that arrived: look into it, and copy the moving picture alone.

It imports little, since it starts anew for every file.
"""

from pathlib import Path
from typing import Any

import av
from av.error import FFmpegError
from av.stream import Disposition

from analysis import video
from analysis.errors import ClipError
from service.child import Tell
from service.errors import Refused

_MATROSKA_ONLY = {"vp8", "vp9"}
_READ = {"format_whitelist": "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm", "protocol_whitelist": "file"}


def look_into(_tell: Tell, path: str, clean: str, longest_s: float) -> dict[str, Any]:
    """In the limited process: read what container and packets tell, then write the clean copy."""
    try:
        clip = video.probe(path)
        if clip.duration_s > longest_s:
            raise Refused(f"The clip is longer than {longest_s / 60:.0f} min. Send one exercise at a time.")
        write(Path(path), Path(clean))
    except ClipError as error:
        # The message names the file as the command line would; a person here has no such path.
        raise Refused(str(error).replace(path, "The clip")) from error
    return {
        "duration_s": clip.duration_s,
        "width": clip.width,
        "height": clip.height,
        "size": Path(clean).stat().st_size,
    }


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
