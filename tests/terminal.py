"""The command line as tests call it, and a clip of noise to call it with."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis import video


@dataclass(frozen=True)
class Ended:
    """How a command ended: exit code, and what it said, each stream on one line."""

    code: int
    out: str
    err: str

    @property
    def told(self) -> str:
        """All that it said."""
        return f"{self.out} {self.err}"


Matline = Callable[..., Ended]


def write_clip(path: Path, frames: int, *, size: tuple[int, int] = (640, 360), rate: int = 10) -> Path:
    """A clip of one picture of noise."""
    picture = np.random.default_rng(0).integers(0, 255, (size[1], size[0], 3)).astype(np.uint8)
    video.write_video(path, (video.Frame(i / rate, picture) for i in range(frames)), quality=35)
    return path
