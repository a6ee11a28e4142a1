"""The only codec import: true frame times, upright pictures, and the H.264 writer.

A clip is probed from its packets alone, so that times are those of the container and not of a
declared frame rate, which phones do not keep. Only the frames asked for are converted.
Pictures are uint8 RGB (height, width, 3), upright, y down.
"""

from analysis.video.decoding import (
    POSE_SHORT_SIDE_PX,
    SAMPLE_RATE_HZ,
    Frame,
    Image,
    frames,
    near_key,
    sample_times,
)
from analysis.video.probing import cut_short, probe
from analysis.video.writing import copy_picture, write_in_place, write_video

__all__ = [
    "POSE_SHORT_SIDE_PX",
    "SAMPLE_RATE_HZ",
    "Frame",
    "Image",
    "copy_picture",
    "cut_short",
    "frames",
    "near_key",
    "probe",
    "sample_times",
    "write_in_place",
    "write_video",
]
