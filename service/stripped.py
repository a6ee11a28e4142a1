"""What the limited process does with a file that arrived: look into it, and copy the moving picture alone.

It imports little, since it starts anew for every file.
"""

from pathlib import Path
from typing import Any

from analysis import video
from analysis.errors import ClipError
from analysis.records import Clip
from service.child import Tell
from service.errors import Refused


def look_into(_tell: Tell, path: str, clean: str, longest_s: float) -> dict[str, Any]:
    """In the limited process: read what container and packets tell, then write the clean copy."""
    try:
        clip = video.probe(path)
        if clip.duration_s > longest_s:
            raise Refused(f"The clip is longer than {longest_s / 60:.0f} min. Send one exercise at a time.")
        _check_end(clip)
        video.copy_picture(Path(path), Path(clean))
    except ClipError as error:
        # The message names the file as the command line would; a person here has no such path.
        raise Refused(str(error).replace(path, "The clip")) from error
    return {
        "duration_s": clip.duration_s,
        "width": clip.width,
        "height": clip.height,
        "size": Path(clean).stat().st_size,
    }


def _check_end(clip: Clip) -> None:
    """Refuse a clip whose end is missing: the copy would no longer tell, and it is still on the phone."""
    if video.cut_short(clip):
        missing_s = (clip.declared_duration_s or 0.0) - clip.duration_s
        raise Refused(
            f"The last {missing_s:.0f} s of the clip are missing: the file is cut short. Choose it again "
            "from the phone that filmed it, or film again."
        )
