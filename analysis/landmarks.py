"""The only pose-model import: people and their landmarks in one picture, or one person followed.

Landmarks are the 33 of the model; indices below. Pixels are of the picture given, y down.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib.resources import files
from types import ModuleType, TracebackType
from typing import Any, Final, Literal, Self

import numpy as np
from numpy.typing import NDArray

from analysis.errors import DataFileError

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]
ModelSize = Literal["heavy", "full"]

COUNT: Final = 33
NOSE: Final = 0
EARS, SHOULDERS, ELBOWS, WRISTS = (7, 8), (11, 12), (13, 14), (15, 16)  # (left, right)
HIPS, KNEES, ANKLES, HEELS, TOES = (23, 24), (25, 26), (27, 28), (29, 30), (31, 32)

# The video mode follows a person from one picture to the next, which finds lying people far better than
# looking afresh in each, and costs less. It also smooths with a lag that depends on the time between
# pictures; told that a day passes between them, it does not smooth.
_STEP_MS: Final = 100_000_000
# Its smoothing of visibility knows no time: y = 0.1 x + 0.9 y_before, taken back in `_visibility`.
_VISIBILITY_GAIN: Final = 0.1
# The runtime's usual 0.5 misses clients seen from the feet while someone stands by: 2 of 8 pictures of
# a rendered clip; at 0.2 none. What is found must still pass the landmark network's own test of presence.
_DETECTION_CONFIDENCE: Final = 0.2
# Looks at the first picture before its landmarks count; with more of them, hidden limbs wander off.
_SETTLING: Final = 2


@dataclass(frozen=True, eq=False)
class Pose:
    """One person: px (33, 2); cm (33, 3) hip-centred, x right, y down, z away; visibility (33,) 0..1."""

    px: Floats
    cm: Floats
    visibility: Floats

    @property
    def box(self) -> Floats:
        """Left, top, right and bottom of the landmarks (4,) [px]."""
        return np.concatenate([self.px.min(0), self.px.max(0)])


class _Landmarker:
    """One loaded pose model. Use as a context manager; raises DataFileError when its file is damaged."""

    def __init__(self, size: ModelSize, *, video: bool, people: int) -> None:
        with _quiet():
            vision, base = _runtime()
            options = vision.PoseLandmarkerOptions(
                base_options=base(model_asset_buffer=_bundle(size)),
                running_mode=vision.RunningMode.VIDEO if video else vision.RunningMode.IMAGE,
                num_poses=people,
                min_pose_detection_confidence=_DETECTION_CONFIDENCE,
            )
            self._model = vision.PoseLandmarker.create_from_options(options)
        self._warm = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with _quiet():
            self._model.close()

    def _look(self, image: Image, *time_ms: int) -> list[Pose]:
        """Everyone in the picture; with a time, in video mode."""
        picture = _as_picture(image)
        look = self._model.detect_for_video if time_ms else self._model.detect
        if self._warm:
            result = look(picture, *time_ms)
        else:
            with _quiet():  # each of its networks talks when first used, the second one when a person is seen
                result = look(picture, *time_ms)
            self._warm = bool(result.pose_landmarks)
        height, width = image.shape[:2]
        return [
            Pose(
                np.array([(p.x * width, p.y * height) for p in points]),
                np.array([(p.x, p.y, p.z) for p in world]) * 100.0,
                np.array([p.visibility for p in points]),
            )
            for points, world in zip(result.pose_landmarks, result.pose_world_landmarks, strict=True)
        ]


class PeopleFinder(_Landmarker):
    """Finds everyone, up to `most`, in pictures that need not belong together."""

    def __init__(self, *, most: int = 3) -> None:
        super().__init__("full", video=False, people=most)

    def find(self, image: Image) -> list[Pose]:
        """People in a picture (H, W, 3) uint8 RGB, in no order; one person may be reported twice."""
        return self._look(image)


class Follower(_Landmarker):
    """Follows one person through consecutive pictures of one size.

    The same pictures after `forget` give the same landmarks whatever came before, to within 1e-3 px,
    so that a clip may be split.
    """

    def __init__(self, *, fast: bool = False) -> None:
        super().__init__("full" if fast else "heavy", video=True, people=1)
        self._time_ms = 0
        self._smoothed: Floats | None = None
        self._following = False

    def follow(self, image: Image) -> Pose | None:
        """Landmarks in the next picture (H, W, 3) uint8 RGB; None where nobody is seen."""
        if not self._following:
            self.begin(image)
        pose = self._next(image)
        self._following = pose is not None
        return pose

    def begin(self, image: Image) -> None:
        """Find the person to follow in a picture; the next pictures may then show them in movement."""
        for _ in range(_SETTLING):
            self._following = self._next(image) is not None
            if not self._following:
                break

    def forget(self, image: Image) -> None:
        """Look anew at the next picture; `image` tells the size."""
        if self._following:  # an empty picture loses whoever was followed
            self._next(np.zeros_like(image))
        self._following = False

    def _next(self, image: Image) -> Pose | None:
        self._time_ms += _STEP_MS
        seen = self._look(image, self._time_ms)
        return Pose(seen[0].px, seen[0].cm, self._visibility(seen[0].visibility)) if seen else None

    def _visibility(self, smoothed: Floats) -> Floats:
        """What the model said of this picture alone."""
        before, self._smoothed = self._smoothed, smoothed
        if before is None:
            return smoothed
        now = (smoothed - (1 - _VISIBILITY_GAIN) * before) / _VISIBILITY_GAIN
        return np.clip(now, 0.0, 1.0)


def _as_picture(image: Image) -> Any:
    import mediapipe

    return mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=np.ascontiguousarray(image))


def _bundle(size: ModelSize) -> bytes:
    """A model's bytes, checked against the manifest."""
    folder = files("analysis") / "models"
    entry = tomllib.loads((folder / "manifest.toml").read_text())["bundles"][size]
    try:
        data: bytes = (folder / entry["file"]).read_bytes()
    except OSError as error:
        raise DataFileError(
            f"The pose model {entry['file']} is missing. Install the package again."
        ) from error
    if hashlib.sha256(data).hexdigest() != entry["sha256"]:
        raise DataFileError(f"The pose model {entry['file']} is damaged. Install the package again.")
    return data


def _runtime() -> tuple[Any, Any]:
    """The task library, without the plotting and sound libraries that it loads and we never use: a second."""
    unused = [n for n in ("matplotlib", "matplotlib.pyplot", "sounddevice") if n not in sys.modules]
    if "mediapipe" in sys.modules:
        unused = []
    sys.modules.update({name: ModuleType(name) for name in unused})
    try:
        from mediapipe.tasks.python import BaseOptions, vision
    finally:
        for name in unused:
            del sys.modules[name]
    return vision, BaseOptions


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the runtime's remarks, written straight to the process's error stream, off the screen."""
    saved = os.dup(2)
    try:
        with open(os.devnull, "wb") as nothing:
            os.dup2(nothing.fileno(), 2)
        yield
    finally:
        with suppress(OSError):
            sys.stderr.flush()
        os.dup2(saved, 2)
        os.close(saved)
