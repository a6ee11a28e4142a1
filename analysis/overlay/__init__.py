"""The clip again, with what was measured drawn over it; faces blurred unless told otherwise.

write_video   annotated H.264 video
blurred       the clip's own pictures with faces blurred, nothing drawn
thumbnails    a still picture at each finding
"""

from analysis.overlay.draw import blurred, thumbnails, write_video

__all__ = ["blurred", "thumbnails", "write_video"]
