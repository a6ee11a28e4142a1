"""Finds the pelvis card and the mat card in the pictures of one clip."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.card.design import MAT_TAGS, PELVIS_TAGS, SLOPE_DEG, Floats, dictionary
from analysis.card.pose import FLAT_DEG, CardPose, Grey, Lens, Matcher, mirrored, poses_from_corners

Image = NDArray[np.uint8]
Window = tuple[slice, slice]

# Main cameras of phones film with a focal length of 0.7 to 1.0 times the longer side. A wrong guess
# turns the card's axes a little but hardly changes its turn since the start (tests/test_card.py).
FOCAL_SHARE: Final = 0.85
_ENLARGED: Final = 2.0  # small tags decode better enlarged and sharpened
_SHARPEN_PX: Final = 3.0
_NEAR_CM: Final = 14.0  # round the last place; a card spans 15 cm
_SURE_SHARE: Final = 0.9  # of the start's likeness; below it, the card may have been followed wrongly
_RETRY_EVERY: Final = 8  # frames between searches of the whole picture for a card that was lost
_FLAT_GAIN: Final = 0.15  # how much better a flat card must match before a folded one is given up
_MISSING_FINE: Final = 0.2  # of likeness, at the start, where a tag should be seen and is not
_TURN_FINE: Final = (
    0.002  # of likeness a degree from the start: decides between mirrored poses of a flat card
)
_NEARLY_AS_GOOD: Final = 1.3  # times the misfit of the best pose
_FACE_ON_SD_DEG: Final = 2.5
_FACE_ON_DEG: Final = 15.0  # from the line of sight; a plane turned farther shows its turns
_MOST_TURN_DEG: Final = 75.0  # from the start; beyond it, a mirrored pose is likelier


@dataclass(frozen=True)
class Sighting:
    """What one picture shows of the two cards; None where a card is not seen."""

    pelvis: CardPose | None
    mat: CardPose | None


class CardReader:
    """Reads both cards in the pictures of one clip, from the still start on.

    A card that the still start does not show is never searched again: without a start there is no
    change to measure, and clips without a card cost nothing. All pictures have the same size.
    """

    def __init__(self, reference: Image) -> None:
        """reference (H, W, 3) uint8 RGB: the still start."""
        grey = _grey(reference)
        finder = TagFinder()
        tags = finder.find(grey, _whole(grey))
        self._trackers = [_Tracker(grey, card, finder, tags) for card in (0, 1)]

    @property
    def sees_pelvis(self) -> bool:
        """Whether the still start shows the pelvis card."""
        return self._trackers[0].start is not None

    def read(self, image: Image) -> Sighting:
        """Both cards in a picture (H, W, 3) uint8 RGB."""
        if all(t.start is None for t in self._trackers):
            return Sighting(None, None)
        grey = _grey(image)
        return Sighting(*(t.update(grey) for t in self._trackers))


def find(image: Image) -> Floats | None:
    """Rotation (3, 3) of the pelvis card in one picture alone; None where it is not seen.

    From the pelvis card's axes to the mat card's, or to the camera's where no mat card is seen.
    image (H, W, 3) uint8 RGB.
    """
    seen = CardReader(image).read(image)
    if seen.pelvis is None:
        return None
    return seen.pelvis.rotation if seen.mat is None else seen.mat.rotation.T @ seen.pelvis.rotation


def _grey(image: Image) -> Grey:
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY))


def _lens(grey: Grey) -> Lens:
    height, width = grey.shape
    return Lens(FOCAL_SHARE * max(width, height), (width - 1) / 2, (height - 1) / 2)


class TagFinder:
    """Finds and decodes the tags of both cards."""

    def __init__(self) -> None:
        parameters = cv2.aruco.DetectorParameters()
        parameters.minMarkerPerimeterRate = 0.01
        parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
        self._detector = cv2.aruco.ArucoDetector(dictionary(), parameters)

    def find(self, grey: Grey, window: Window) -> dict[int, Floats]:
        """Corners (4, 2) [px of the whole picture] by place of the tag in the dictionary."""
        part = grey[window]
        big = cv2.resize(part, None, fx=_ENLARGED, fy=_ENLARGED, interpolation=cv2.INTER_CUBIC)
        sharp = cv2.addWeighted(big, 2.5, cv2.GaussianBlur(big, (0, 0), _SHARPEN_PX), -1.5, 0)
        offset = np.array([window[1].start, window[0].start])
        out: dict[int, Floats] = {}
        for picture, scale in ((part, 1.0), (sharp, _ENLARGED)):
            corners, places, _ = self._detector.detectMarkers(picture)
            for quad, place in zip(corners, [] if places is None else places.ravel(), strict=True):
                out.setdefault(int(place), (quad[0].astype(float) + 0.5) / scale - 0.5 + offset)
        return out


class _Tracker:
    """Follows one card: near its last place first, in the whole picture now and then."""

    def __init__(self, reference: Grey, card: int, finder: TagFinder, tags: dict[int, Floats]) -> None:
        """card: 0 pelvis, 1 mat; tags found in the reference."""
        self._lens, self._card, self._finder, self._lost = _lens(reference), card, finder, 0
        self.start: CardPose | None = None
        self.start = self._best(self._poses(reference, tags, (SLOPE_DEG, FLAT_DEG)))
        self._last = self.start

    def update(self, grey: Grey) -> CardPose | None:
        """The card in the next picture."""
        if self.start is None or self._last is None:
            return None
        window = _window(self._last, self._lens, grey)
        matcher = self._matcher(grey, window)
        pose = self._best([] if self._lost else _refined(matcher, [self._last]))
        if pose is None or pose.likeness < _SURE_SHARE * self.start.likeness:
            pose = self._best([*([pose] if pose else []), *self._search(grey, window)])
        self._lost = 0 if pose else self._lost + 1
        self._last = pose or self._last
        return pose

    def _search(self, grey: Grey, window: Window) -> list[CardPose]:
        """Poses from the tags decoded near the last place, or now and then anywhere."""
        assert self.start is not None
        slopes = (self.start.slope_deg,)
        found = self._poses(grey, self._finder.find(grey, window), slopes)
        if not found and self._lost % _RETRY_EVERY == _RETRY_EVERY - 1:
            found = self._poses(grey, self._finder.find(grey, _whole(grey)), slopes)
        return found

    def _poses(self, grey: Grey, tags: dict[int, Floats], slopes: tuple[float, ...]) -> list[CardPose]:
        """Poses that start from this card's tags and match the picture."""
        own = {place % 4: px for place, px in tags.items() if place // 4 == self._card}
        starts = [p for slope in slopes for p in poses_from_corners(own, self._lens, slope)]
        if not starts:
            return []
        return _refined(self._matcher(grey, _window(starts[0], self._lens, grey)), starts)

    def _matcher(self, grey: Grey, window: Window) -> Matcher:
        rows, columns = window
        lens = Lens(self._lens.focal, self._lens.x - columns.start, self._lens.y - rows.start)
        return Matcher(grey[window], lens, (PELVIS_TAGS, MAT_TAGS)[self._card])

    def _best(self, poses: list[CardPose]) -> CardPose | None:
        """The pose that shows most of the pattern; flat only where that fits clearly better than folded."""

        def worth(pose: CardPose) -> float:
            if self.start is None:
                return (
                    pose.likeness - _MISSING_FINE * pose.missing - _FLAT_GAIN * (pose.slope_deg == FLAT_DEG)
                )
            return pose.likeness - _TURN_FINE * self._turn_deg(pose)

        best = max((p for p in poses if self._turn_deg(p) < _MOST_TURN_DEG), key=worth, default=None)
        return None if best is None else _with_doubt(best, poses)

    def _turn_deg(self, pose: CardPose) -> float:
        """Angle from the still start; 0 before there is one."""
        if self.start is None:
            return 0.0
        return float(np.linalg.norm(_turn_deg(pose.rotation @ self.start.rotation.T)))


def _refined(matcher: Matcher, starts: list[CardPose]) -> list[CardPose]:
    """The starts that match the picture, and the mirrored poses of those that show one plane only."""
    found = [p for p in map(matcher.refine, starts) if p is not None]
    mirrors = (matcher.refine(mirrored(p)) for p in found if p.plane is not None)
    return found + [p for p in mirrors if p is not None]


def _with_doubt(best: CardPose, poses: list[CardPose]) -> CardPose:
    """The best pose, less sure along the turn to the farthest pose that matches nearly as well."""
    misfit = _NEARLY_AS_GOOD * (best.tags - best.likeness)
    rivals = [p for p in poses if p.tags == best.tags and p.tags - p.likeness < misfit]
    turns = [_turn_deg(p.rotation @ best.rotation.T) for p in rivals]
    apart = max(turns, key=lambda turn: float(np.linalg.norm(turn)), default=np.zeros(3))
    return replace(best, covariance_deg2=best.covariance_deg2 + np.outer(apart, apart) / 4 + _face_on(best))


def _turn_deg(rotation: Floats) -> Floats:
    """Rotation vector (3,) [deg] of a rotation matrix (3, 3)."""
    return np.asarray(np.degrees(cv2.Rodrigues(rotation)[0][:, 0]))


def _face_on(pose: CardPose) -> Floats:
    """Added variance (3, 3) where one plane is seen face-on: small turns out of the picture do not show."""
    if pose.plane is None:
        return np.zeros((3, 3))
    sight = pose.place_cm / np.linalg.norm(pose.place_cm)
    angle_deg = float(np.degrees(np.arccos(np.clip(-sight @ pose.rotation @ pose.plane, -1, 1))))
    sd = _FACE_ON_SD_DEG * max(0.0, 1 - angle_deg / _FACE_ON_DEG)
    return np.asarray(sd**2 * (np.eye(3) - np.outer(sight, sight)))


def _whole(grey: Grey) -> Window:
    return slice(0, grey.shape[0]), slice(0, grey.shape[1])


def _window(pose: CardPose, lens: Lens, grey: Grey) -> Window:
    """Rows and columns of the picture round a card."""
    x, y = lens.project(pose.place_cm[None])[0]
    reach = _NEAR_CM * lens.focal / pose.place_cm[2]
    spans = zip((y, x), grey.shape, strict=True)
    rows, columns = (slice(max(0, int(c - reach)), max(1, min(n, int(c + reach) + 1))) for c, n in spans)
    return rows, columns
