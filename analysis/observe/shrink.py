"""Pictures made smaller by exact halves: filtered, and ten times cheaper than any other share."""

import cv2
import numpy as np

from analysis.landmarks import Image


def halved(image: Image, times: int) -> Image:
    """The picture (H, W, 3) with each side halved `times` times; an odd last row or column is lost."""
    for _ in range(times):
        height, width = (side // 2 for side in image.shape[:2])
        image = np.asarray(
            cv2.resize(image[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA),
            np.uint8,
        )
    return image
