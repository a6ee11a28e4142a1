"""The annotated clip keeps size and time, hides faces by default and shows findings when they happen."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from fake_report import observations, report

from analysis import overlay, video
from analysis.overlay.caption import Captions
from analysis.overlay.faces import FaceBlur
from analysis.overlay.figure import Figure
from analysis.records import Clip, Floats, Observations

WIDTH, HEIGHT = 640, 360
STILL_S = 34.0
HEAD_PX = (90, 250)


def body() -> Floats:
    """Landmarks (33, 2) of someone on the back, head to the left, knees bent, seen from the side [px]."""
    points = np.tile(np.array(HEAD_PX, float), (33, 1))
    points[:11] += np.random.default_rng(1).uniform(-12, 12, (11, 2))
    places = {11: (150, 270), 13: (200, 290), 15: (250, 295), 23: (310, 275), 25: (390, 190), 27: (430, 290),
              29: (425, 295), 31: (465, 296)}  # fmt: skip
    for left, place in places.items():
        points[left], points[left + 1] = place, np.add(place, (4, -3))
    return points


def seen(seconds: float = STILL_S, *, hidden_from_s: float = np.inf) -> Observations:
    time = np.arange(0, seconds, 0.08)
    points = np.tile(body(), (len(time), 1, 1))
    points[time >= hidden_from_s] = np.nan
    return observations(time, points, width=WIDTH, height=HEIGHT)


def picture() -> video.Image:
    """A fine checkerboard: blurring it shows at once."""
    return (
        np.kron(np.indices((90, 160)).sum(axis=0) % 2 * 255, np.ones((4, 4)))
        .astype(np.uint8)[..., None]
        .repeat(3, axis=2)
    )


def contrast(image: video.Image, at: tuple[int, int]) -> float:
    x, y = at
    return float(image[y - 12 : y + 12, x - 12 : x + 12].std())


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Clip:
    path = tmp_path_factory.mktemp("clip") / "still.mp4"
    video.write_video(path, (video.Frame(i / 10, picture()) for i in range(int(STILL_S * 10))))
    return video.probe(path)


def test_faces_are_blurred_and_nothing_else() -> None:
    image = picture()
    FaceBlur(seen())(image, 5.0)
    assert contrast(image, HEAD_PX) < 0.25 * contrast(picture(), HEAD_PX)
    assert np.array_equal(image[:, 200:], picture()[:, 200:])


def test_a_head_not_seen_for_a_second_blurs_the_whole_picture() -> None:
    blur = FaceBlur(seen(hidden_from_s=10))
    shortly, later = picture(), picture()
    blur(shortly, 10.5)
    blur(later, 11.5)
    assert contrast(shortly, (400, 100)) == contrast(picture(), (400, 100))
    assert contrast(later, (400, 100)) < 0.2 * contrast(picture(), (400, 100))


def test_a_second_person_blurs_the_whole_picture() -> None:
    alone = seen()
    people = np.where(np.abs(alone.time_s - 20) < 1, 2.0, 1.0)
    crowd = observations(alone.time_s, alone.landmarks_px, width=WIDTH, height=HEIGHT, people=people)
    image = picture()
    FaceBlur(crowd)(image, 20.0)
    assert contrast(image, (600, 40)) < 0.2 * contrast(picture(), (600, 40))


def test_nobody_seen_at_all_blurs_everything() -> None:
    image = picture()
    FaceBlur(seen(hidden_from_s=0))(image, 3.0)
    assert contrast(image, (600, 40)) < 0.2 * contrast(picture(), (600, 40))


def test_a_blurred_face_cannot_be_brought_back() -> None:
    """What is left of the head depends on few numbers: blocks of the picture, not its detail."""
    image = np.random.default_rng(0).integers(0, 255, (HEIGHT, WIDTH, 3)).astype(np.uint8)
    FaceBlur(seen())(image, 5.0)
    x, y = HEAD_PX
    spectrum = np.abs(np.fft.fft2(image[y - 16 : y + 16, x - 16 : x + 16, 0].astype(float)))
    assert spectrum[8:24, 8:24].sum() < 0.02 * spectrum.sum()


@pytest.mark.parametrize("height", [360, 720])
def test_the_figure_is_drawn_where_the_body_is_at_any_size(height: int) -> None:
    grey = np.full((height, height * 16 // 9, 3), 128, np.uint8)
    Figure(seen(), report()).draw(grey, 1.0)
    x, y = (np.array([390, 190]) * height / HEIGHT).astype(int)
    assert not np.array_equal(grey[y, x], (128, 128, 128))
    assert (grey[: y // 2] == 128).all()


def test_nothing_is_drawn_over_a_gap() -> None:
    grey = np.full((HEIGHT, WIDTH, 3), 128, np.uint8)
    Figure(seen(hidden_from_s=5), report()).draw(grey, 8.0)
    assert (grey == 128).all()


def test_the_pelvis_line_turns_with_anterior_tilt_towards_the_knees() -> None:
    """Head to the left, knees up: an arch brings the top of the pelvis (left end) up in the picture."""
    from analysis.overlay.figure import _tilt_in_picture

    told = _tilt_in_picture(seen(), report())
    assert told is not None
    start, turn = told
    up = np.radians(start + turn[np.argmin(np.abs(seen().time_s - 9.5))])  # tilt is about +8 deg here
    assert abs(abs(start) - 180) < 5  # along the trunk, towards the head
    assert np.sin(up) < np.sin(np.radians(start)) - 0.1  # y points down


def test_no_tilt_line_where_tilt_was_not_measured() -> None:
    from analysis.overlay.figure import _tilt_in_picture

    without = {k: v for k, v in report().series.items() if k != "pelvic_tilt"}
    assert _tilt_in_picture(seen(), report(series=without)) is None


def test_a_finding_is_told_as_it_happens_and_not_before() -> None:
    captions = Captions(report())
    before, during, after = (captions.strip(picture(), t) for t in (8.0, 9.3, 12.3))
    assert (during != before).any()
    assert before.shape == during.shape == after.shape
    lines = during[during.shape[0] // 3 :]
    assert (lines != lines[0, 0]).any()
    assert (before[before.shape[0] // 2 :] == before[0, 0]).all()


def test_a_borderline_repetition_names_the_limit_that_is_near() -> None:
    given = report()
    close = given.repetitions[2].model_copy(update={"findings": (), "near": ("rushed",)})
    bare = close.model_copy(update={"near": ()})
    with_name, without = (
        Captions(report(repetitions=(rep,), findings=())).strip(picture(), close.start_s + 1)
        for rep in (close, bare)
    )
    lower = slice(with_name.shape[0] // 3, None)
    assert (with_name[lower] != without[lower]).any()


def test_the_annotated_clip_keeps_its_length_and_grows_only_by_the_strip(clip: Clip, tmp_path: Path) -> None:
    shares: list[float] = []
    overlay.write_video(tmp_path / "o.mp4", clip, seen(), report(), progress=shares.append)
    done = video.probe(tmp_path / "o.mp4")
    assert done.duration_s == pytest.approx(clip.duration_s, abs=0.05)
    assert done.width == WIDTH
    assert HEIGHT < done.height < 1.4 * HEIGHT
    assert shares == sorted(shares)
    assert shares[-1] > 0.99


def test_thumbnails_show_the_client_with_the_skeleton_at_each_finding(clip: Clip) -> None:
    taken = overlay.thumbnails(clip, seen(), report())
    assert sorted(taken) == [9.2, 14.4, 20.9, 29.0]
    image = cv2.imdecode(np.frombuffer(taken[9.2], np.uint8), cv2.IMREAD_COLOR)
    assert image is not None
    height, width = image.shape[:2]
    assert width < 0.9 * WIDTH  # the empty floor beside the client is left out
    assert height < 0.75 * HEIGHT
    blue = np.array([0xF4, 0xB9, 0x86])  # the left side's colour on dark, as blue, green, red
    assert (np.abs(image.astype(int) - blue).sum(axis=2) < 40).sum() > 50


def test_thumbnails_hide_the_face(clip: Clip) -> None:
    hidden, shown = (overlay.thumbnails(clip, seen(), report(), blur_faces=b)[9.2] for b in (True, False))
    pictures = [cv2.imdecode(np.frombuffer(j, np.uint8), cv2.IMREAD_COLOR) for j in (hidden, shown)]
    heads = [contrast(p, (54, 110)) for p in pictures]  # the cut begins at about (35, 140) of the clip
    assert heads[0] < 0.25 * heads[1]


def test_without_anybody_thumbnails_are_whole_pictures(clip: Clip) -> None:
    taken = overlay.thumbnails(clip, seen(hidden_from_s=0), report())
    image = cv2.imdecode(np.frombuffer(taken[9.2], np.uint8), cv2.IMREAD_COLOR)
    assert image is not None
    assert image.shape[1] == 560
