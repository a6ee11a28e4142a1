"""The printed card in pictures with exact turns (scipy's Rotation is the independent measure)."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from card_scene import FACING, Placed, Shot, photograph
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from analysis.card import CardPose, CardReader, board_image, faces_cm, find, mat_board_image
from analysis.card.design import BACK_CM, FACE_CM, LENGTH_CM, MAT_TAGS, PELVIS_TAGS
from analysis.card.pose import mirrored

Floats = NDArray[np.float64]


def stand(distance_cm: float = 220, *, up: float = 12, aside: float = 8, slope_deg: float = 40) -> Placed:
    """A card somewhat turned from the camera, off the middle of the picture [deg]."""
    turn = Rotation.from_euler("x", up, degrees=True) * Rotation.from_euler("y", aside, degrees=True)
    return Placed(turn * FACING, (18, -9, distance_cm), slope_deg=slope_deg)


TURNS = [Rotation.from_rotvec(np.radians(v)) for v in ((10, 0, 0), (0, -10, 0), (0, 0, 9), (-6, 5, 12))]


def turn_error(before: CardPose, after: CardPose, true: Rotation) -> Floats:
    """Error of a turn about the camera's three axes [deg]."""
    measured = Rotation.from_matrix(after.rotation @ before.rotation.T)
    return np.degrees((measured * true.inv()).as_rotvec())


def measure(card: Placed, shot: Shot) -> tuple[Floats, Floats]:
    """Errors and stated standard deviations of every turn of TURNS, (n, 3) each [deg]."""
    reader = CardReader(photograph([card], shot))
    start = reader.read(photograph([card], shot)).pelvis
    assert start is not None
    errors, sds = [], []
    for i, turn in enumerate(TURNS):
        now = reader.read(photograph([card.turned(turn, (1.5, -1, 0.5))], replace(shot, seed=i + 1))).pelvis
        assert now is not None
        errors.append(turn_error(start, now, turn))
        sds.append(np.sqrt(np.diag(start.covariance_deg2) + np.diag(now.covariance_deg2)))
    return np.array(errors), np.array(sds)


CONDITIONS = {
    "2 m": (200, Shot()),
    "3 m": (300, Shot()),
    "longer lens than assumed": (220, Shot(focal=1.0 * 1280)),
    "wider lens than assumed": (220, Shot(focal=0.72 * 1280)),
    "blurred": (200, Shot(blur_px=1.5)),
    "moving": (200, Shot(motion_px=4)),
    "strong compression": (200, Shot(quality=25)),
    "dim and noisy": (150, Shot(black=12, white=75, noise=5)),
    "portrait": (220, Shot(size=(720, 1280))),
}


@pytest.mark.parametrize("condition", CONDITIONS)
def test_turns_are_within_a_third_of_a_degree_and_inside_their_own_half_width(condition: str) -> None:
    distance, shot = CONDITIONS[condition]
    errors, sds = measure(stand(distance), shot)
    assert np.abs(errors).mean() < 0.33
    assert np.abs(errors).max() < 1.0
    assert (np.abs(errors) < 1.96 * sds).mean() >= 0.9


def test_a_folded_card_beats_a_flat_one_that_faces_the_camera() -> None:
    folded, _ = measure(stand(up=1, aside=1), Shot())
    flat, flat_sd = measure(stand(up=1, aside=1, slope_deg=0), Shot())
    assert np.abs(folded).mean() < 0.5 * np.abs(flat).mean()
    assert (np.abs(flat) < 1.96 * flat_sd).mean() >= 0.9, "a flat card must say that it is less sure"


def test_a_flat_card_is_read_as_flat() -> None:
    errors, _ = measure(stand(up=25, aside=20, slope_deg=0), Shot())
    assert np.abs(errors).mean() < 0.33


@pytest.mark.parametrize("side", ["left", "right", "lower"])
def test_half_a_card_is_enough(side: str) -> None:
    card, turn = stand(160), TURNS[3]
    reader = CardReader(photograph([card]))
    start = reader.read(photograph([card])).pelvis
    x, y = 640 + 1088 * 18 / 160, 360 - 1088 * 9 / 160
    cover = {
        "left": (slice(0, 720), slice(0, int(x))),
        "right": (slice(0, 720), slice(int(x), 1280)),
        "lower": (slice(int(y) + 4, 720), slice(0, 1280)),
    }[side]
    now = reader.read(photograph([card.turned(turn)], Shot(seed=1), cover)).pelvis
    assert start is not None
    assert now is not None
    assert now.tags <= 2.5
    assert np.abs(turn_error(start, now, turn)).max() < 1.5


def test_a_card_that_was_covered_is_found_again() -> None:
    card = stand()
    picture, hidden = photograph([card]), photograph([])
    reader = CardReader(picture)
    assert reader.read(hidden).pelvis is None
    assert reader.read(picture).pelvis is not None


def test_the_result_does_not_depend_on_the_pictures_before() -> None:
    card = stand()
    pictures = [photograph([card.turned(turn)], Shot(seed=i)) for i, turn in enumerate(TURNS)]
    straight, last_only = (CardReader(photograph([card])) for _ in range(2))
    seen = [straight.read(p).pelvis for p in pictures]
    alone = last_only.read(pictures[-1]).pelvis
    assert seen[-1] is not None
    assert alone is not None
    apart = Rotation.from_matrix(seen[-1].rotation @ alone.rotation.T).magnitude()
    assert np.degrees(apart) < 0.05


def test_turns_relative_to_the_mat_card_do_not_feel_the_camera_move() -> None:
    pelvis, mat = stand(180), replace(stand(200, aside=-10), at_cm=(-45, 20, 200), mat=True)
    nudge = Rotation.from_rotvec(np.radians([2.0, -1.5, 3.0]))
    turn = TURNS[3]
    before = find(photograph([pelvis, mat]))
    moved = [
        replace(c, rotation=nudge * c.rotation, at_cm=tuple(nudge.apply(c.at_cm)))
        for c in (pelvis.turned(turn), mat)
    ]
    after = find(photograph(moved, Shot(seed=1)))
    assert before is not None
    assert after is not None
    true = mat.rotation.inv() * turn * mat.rotation
    error = Rotation.from_matrix(after @ before.T) * true.inv()
    assert np.degrees(error.magnitude()) < 0.8


def test_nothing_is_found_where_there_is_no_card() -> None:
    rng = np.random.default_rng(3)
    tiles = np.kron(rng.integers(0, 2, (36, 64)), np.ones((20, 20))).astype(np.uint8) * 200 + 20
    squares = np.asarray(cv2.merge([tiles] * 3))
    for picture in (photograph([]), squares):
        assert find(picture) is None
        reader = CardReader(picture)
        assert not reader.sees_pelvis
        assert reader.read(photograph([stand()])).pelvis is None, "without a start there is no change"


def test_a_wrong_card_is_not_taken_for_the_pelvis_card() -> None:
    assert find(photograph([replace(stand(), mat=True)])) is None


def test_mirroring_twice_gives_the_pose_back() -> None:
    rotation = (TURNS[3] * FACING).as_matrix()
    pose = CardPose(rotation, np.array([20.0, -10, 200]), np.eye(3), plane=np.array([0.0, 0, 1]))
    assert np.allclose(mirrored(mirrored(pose)).rotation, rotation)
    assert np.isclose(np.linalg.det(mirrored(pose).rotation), 1)


def test_the_mirrored_pose_looks_almost_the_same_from_afar() -> None:
    corners = np.array([[-5.0, 5, 0], [5, 5, 0], [5, -5, 0], [-5, -5, 0]])
    turn = Rotation.from_euler("xy", [20, 15], degrees=True) * FACING
    pose = CardPose(turn.as_matrix(), np.array([0.0, 0, 1000]), np.eye(3), plane=np.array([0.0, 0, 1]))
    other = mirrored(pose)
    seen, seen_mirrored = (corners @ p.rotation.T + p.place_cm for p in (pose, other))
    px, px_mirrored = (1000 * s[:, :2] / s[:, 2:] for s in (seen, seen_mirrored))
    assert np.abs(px - px_mirrored).max() < 0.03
    assert np.degrees(Rotation.from_matrix(pose.rotation @ other.rotation.T).magnitude()) > 30


def test_the_faces_fold_into_a_closed_roof() -> None:
    left, right = faces_cm()
    assert np.allclose(left[1:3], right[[0, 3]]), "one ridge"
    assert np.allclose(np.linalg.norm(left[1] - left[0]), FACE_CM)
    assert np.allclose(np.linalg.norm(right[1] - left[0]), BACK_CM)
    assert np.allclose(np.linalg.norm(left[3] - left[0]), LENGTH_CM)


@pytest.mark.parametrize(("image", "tags"), [(board_image, PELVIS_TAGS), (mat_board_image, MAT_TAGS)])
def test_an_independent_reader_of_the_family_reads_the_board(image: object, tags: tuple[int, ...]) -> None:
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_16H5)
    sheet = cv2.copyMakeBorder(image(30.0), 30, 30, 30, 30, cv2.BORDER_CONSTANT, value=255)  # type: ignore[operator]
    corners, found, _ = cv2.aruco.ArucoDetector(family).detectMarkers(sheet)
    place = {int(tag): quad[0].mean(axis=0) for quad, tag in zip(corners, found.ravel(), strict=True)}
    upper_left, upper_right, lower_left, _ = (place[tag] for tag in tags)
    assert upper_left[0] < upper_right[0]
    assert upper_left[1] < lower_left[1]
