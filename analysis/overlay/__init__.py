"""The clip again, with what was measured drawn over it; faces blurred unless told otherwise.

write_video   annotated H.264 video
write_blurred the clip itself with faces blurred, nothing drawn
thumbnails    a still picture at each finding
"""

from analysis.overlay.draw import thumbnails, write_blurred, write_video

__all__ = ["thumbnails", "write_blurred", "write_video"]
