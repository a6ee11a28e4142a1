"""Clips as phones, copies and attackers make them: true times, upright, or refused with a reason."""

from collections.abc import Callable, Iterator
from pathlib import Path

import av
import numpy as np
import pytest
from av.video.frame import VideoFrame
from bad_clips import (
    BAD,
    EVEN_S,
    HEIGHT,
    QUICK_HEVC,
    QUICK_VP8,
    WIDTH,
    claiming_size,
    encode,
    grey,
    picture,
    written,
)  # fmt: skip

from analysis import video
from analysis.errors import ClipError, ReportError
from analysis.records import Clip
from analysis.video.notes import Notes


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return encode(tmp_path_factory.mktemp("clips") / "plain.mp4")


def read(clip: Clip) -> list[video.Frame]:
    return list(video.frames(clip, clip.time_s))


# ----------------------------------------------------------------------------------- good clips

CONTAINERS: dict[str, Callable[[Path], Path]] = {
    "H.264 MP4": lambda d: encode(d / "a.mp4"),
    "H.264 MOV": lambda d: encode(d / "a.mov"),
    "fragmented MP4": lambda d: encode(d / "a.mp4", movflags="frag_keyframe+empty_moov"),
    "HEVC 8 bit": lambda d: encode(d / "a.mp4", codec="libx265", codec_options=QUICK_HEVC),
    "HEVC 10 bit": lambda d: encode(
        d / "a.mov", codec="libx265", pixels="yuv420p10le", codec_options=QUICK_HEVC
    ),
    "WebM": lambda d: encode(d / "a.webm", codec="libvpx", codec_options=QUICK_VP8),
    "WebM as a browser records it": lambda d: encode(
        d / "a.webm", codec="libvpx", codec_options=QUICK_VP8, live="1"
    ),
}


@pytest.mark.parametrize("make", CONTAINERS.values(), ids=CONTAINERS.keys())
def test_every_container_gives_every_frame_with_its_own_time(
    make: Callable[[Path], Path], tmp_path: Path
) -> None:
    clip = video.probe(make(tmp_path))
    assert clip.time_s == pytest.approx(EVEN_S, abs=0.002)  # WebM counts in milliseconds
    assert (clip.width, clip.height, clip.rotation_deg) == (WIDTH, HEIGHT, 0)
    assert clip.duration_s == pytest.approx(2.5, abs=0.01)
    assert not video.cut_short(clip)
    got = read(clip)
    assert tuple(f.time_s for f in got) == clip.time_s
    for frame in got[::10]:
        assert frame.image.shape == (HEIGHT, WIDTH, 3)
        assert grey(frame.image) == pytest.approx(40 + 60 * frame.time_s, abs=6)


def test_browser_recording_declares_no_duration(tmp_path: Path) -> None:
    assert (
        video.probe(encode(tmp_path / "a.webm", EVEN_S[::8], "libvpx", live="1")).declared_duration_s is None
    )


def test_variable_frame_rate_keeps_true_times(tmp_path: Path) -> None:
    steps = np.tile([1 / 60, 1 / 60, 0.1, 1 / 30], 20)
    times = tuple(np.concatenate([[0.0], np.cumsum(steps)]).tolist())
    clip = video.probe(encode(tmp_path / "a.mp4", times))
    assert clip.time_s == pytest.approx(times, abs=1e-4)
    assert [f.time_s for f in read(clip)] == list(clip.time_s)


@pytest.mark.parametrize(("turned", "corner"), [(0, (0, 0)), (90, (0, -1)), (180, (-1, -1)), (270, (-1, 0))])
def test_pictures_come_upright(turned: int, corner: tuple[int, int], tmp_path: Path) -> None:
    """A clockwise display turn moves the top left quarter to the top right, and so on."""
    clip = video.probe(encode(tmp_path / "a.mp4", turned_deg=-turned))
    image = next(video.frames(clip, [0.0])).image
    assert image.shape[:2] == (clip.height, clip.width)
    assert (clip.width < clip.height) == (turned in (90, 270))
    red = np.argwhere((image[..., 0] > 150) & (image[..., 1] < 100)).mean(0) > np.array(image.shape[:2]) / 2
    assert tuple(red) == tuple(c == -1 for c in corner)


def test_start_of_a_trimmed_clip_is_zero(tmp_path: Path) -> None:
    clip = video.probe(encode(tmp_path / "a.mp4", tuple(t + 7.3 for t in EVEN_S), movflags="frag_keyframe"))
    assert clip.time_s[0] == 0
    assert clip.time_s[-1] == pytest.approx(EVEN_S[-1], abs=1e-3)
    assert [f.time_s for f in video.frames(clip, [1.0])] == pytest.approx([1.0], abs=1e-3)


def test_pictures_are_scaled_down_never_up(tmp_path: Path, plain: Path) -> None:
    clip = video.probe(encode(tmp_path / "a.mp4", size=(1920, 1080), times_s=EVEN_S[::8]))
    assert next(video.frames(clip, [0.0])).image.shape == (720, 1280, 3)
    assert next(video.frames(clip, [0.0], short_side_px=None)).image.shape == (1080, 1920, 3)
    assert next(video.frames(video.probe(plain), [0.0])).image.shape == (HEIGHT, WIDTH, 3)


# ----------------------------------------------------------------------------------- sampling


def test_sampled_frames_are_those_of_a_full_decode(plain: Path) -> None:
    """Skipping pictures that nothing depends on must not change the others."""
    clip = video.probe(plain)
    every = {f.time_s: f.image for f in read(clip)}
    times = video.sample_times(clip)
    sampled = list(video.frames(clip, times))
    assert tuple(f.time_s for f in sampled) == times
    assert all(np.array_equal(every[f.time_s], f.image) for f in sampled)


def test_sparse_frames_are_found_by_seeking(tmp_path: Path) -> None:
    times = tuple(i / 10 for i in range(200))
    clip = video.probe(encode(tmp_path / "a.mp4", times, codec_options={"g": "15"}))
    every = {f.time_s: f.image for f in read(clip)}
    got = list(video.frames(clip, [1.0, 9.0, 9.1, 18.0]))
    assert len(clip.key_times_s) >= 13
    assert [f.time_s for f in got] == pytest.approx([1.0, 9.0, 9.1, 18.0], abs=1e-6)
    assert all(np.array_equal(every[f.time_s], f.image) for f in got)


def clip_of(times_s: Iterator[float]) -> Clip:
    return Clip(Path("x.mp4"), tuple(times_s), 640, 480, 0, None)


def test_two_seconds_to_the_end_of_the_last_picture_are_enough(tmp_path: Path) -> None:
    two_s = encode(tmp_path / "a.mp4", tuple(i / 24 for i in range(48)))
    assert video.probe(two_s).duration_s == pytest.approx(2.0, abs=0.01)
    with pytest.raises(ClipError, match=r"too short: 45 pictures in 1\.9 s"):
        video.probe(encode(tmp_path / "b.mp4", tuple(i / 24 for i in range(45))))


@pytest.mark.parametrize("rate_hz", [24, 30, 60, 120, 240])
def test_sampling_is_even_at_every_frame_rate(rate_hz: int) -> None:
    times = video.sample_times(clip_of(i / rate_hz for i in range(10 * rate_hz)))
    assert len(times) == pytest.approx(10 * video.SAMPLE_RATE_HZ, abs=1)
    assert np.diff(times).max() <= 1 / video.SAMPLE_RATE_HZ + 1 / rate_hz + 1e-9


def test_sampling_a_slow_clip_takes_each_frame_once() -> None:
    clip = clip_of(i / 8 for i in range(40))
    assert video.sample_times(clip) == clip.time_s


def test_sample_rate_bounds_the_loss_at_a_peak() -> None:
    """Worst peak loss of a 60 deg peak-to-peak sine at 0.5 Hz: 30 (1 - cos(pi f / fs)), under 0.26 deg."""
    assert 30 * (1 - np.cos(np.pi * 0.5 / video.SAMPLE_RATE_HZ)) < 0.26


# ----------------------------------------------------------------------------------- bad clips


@pytest.mark.parametrize(("make", "says"), BAD.values(), ids=BAD.keys())
def test_bad_clip_says_what_is_wrong(make: Callable[[Path], Path], says: str, tmp_path: Path) -> None:
    with pytest.raises(ClipError, match=says):
        video.probe(make(tmp_path))


def test_size_claimed_by_the_container_is_not_believed(tmp_path: Path) -> None:
    clip = video.probe(claiming_size(tmp_path / "a.mp4", 32_000, 24_000))
    assert (clip.width, clip.height) == (WIDTH, HEIGHT)


def test_unreadable_clip_says_so(plain: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.video.probing.os.access", lambda *_: False)  # root may read everything
    with pytest.raises(ClipError, match="may not be read"):
        video.probe(plain)


def test_clip_with_its_end_missing_is_noticed(tmp_path: Path) -> None:
    whole = encode(tmp_path / "a.mp4", tuple(i / 30 for i in range(240)), movflags="faststart").read_bytes()
    clip = video.probe(written(tmp_path / "b.mp4", whole[: len(whole) * 7 // 10]))
    assert video.cut_short(clip)
    assert 2 < clip.duration_s < clip.declared_duration_s
    assert 0 < len(read(clip)) <= len(clip.time_s)


def test_damaged_pictures_are_left_out(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    path = encode(tmp_path / "a.mp4", tuple(i / 30 for i in range(240)), codec_options={"g": "12"})
    data = bytearray(path.read_bytes())
    middle = slice(data.index(b"mdat") + len(data) // 3, data.index(b"mdat") + len(data) // 3 + 1500)
    data[middle] = rng.integers(0, 256, 1500, np.uint8).tobytes()
    clip = video.probe(written(path, bytes(data)))
    got = read(clip)
    assert len(clip.time_s) == 240
    assert 100 < len(got) < 240


# ----------------------------------------------------------------------------------- writing


def test_written_video_keeps_times_and_pictures(tmp_path: Path) -> None:
    times = (0.0, 0.1, 0.15, 0.9, 1.7, 2.5)
    path = tmp_path / "out.mp4"
    video.write_video(path, (video.Frame(t, picture(t, 321, 241)) for t in times))
    clip = video.probe(path)
    assert clip.time_s == pytest.approx(times, abs=1e-4)
    assert (clip.width, clip.height) == (320, 240)
    assert path.read_bytes().index(b"moov") < path.read_bytes().index(b"mdat")  # ready to stream
    assert [grey(f.image) for f in read(clip)] == pytest.approx([40 + 60 * t for t in times], abs=6)


def test_broken_off_video_leaves_nothing(tmp_path: Path) -> None:
    def broken() -> Iterator[video.Frame]:
        yield video.Frame(0.0, picture(0.0))
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        video.write_video(tmp_path / "out.mp4", broken())
    assert list(tmp_path.iterdir()) == []


def test_unwritable_place_says_so(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="cannot be written"):
        video.write_video(tmp_path / "none" / "out.mp4", [video.Frame(0.0, picture(0.0))])


@pytest.mark.parametrize(("encoder", "noted"), [("libx264", b"x264 - core"), ("libx265", b"x265 (build")])
def test_a_copy_holds_no_notes_of_the_camera_and_the_same_pictures(
    encoder: str, noted: bytes, tmp_path: Path
) -> None:
    """The encoders note themselves and their settings between the pictures, as cameras note what they are."""
    source, target = tmp_path / "noted.mp4", tmp_path / "copy.mp4"
    with av.open(str(source), "w") as out:
        stream = out.add_stream(encoder, rate=10, options={"x265-params": "log-level=none"})
        stream.width, stream.height, stream.pix_fmt = 128, 96, "yuv420p"
        for i in range(30):
            picture = np.full((96, 128, 3), 8 * i, np.uint8)
            out.mux(stream.encode(VideoFrame.from_ndarray(picture, format="rgb24")))
        out.mux(stream.encode(None))
    video.copy_picture(source, target)
    assert noted in source.read_bytes()
    assert noted not in target.read_bytes()
    assert decoded(source) == decoded(target)
    assert len(decoded(target)) == 30


def decoded(path: Path) -> list[tuple[int | None, bytes]]:
    with av.open(str(path)) as clip:
        return [(frame.pts, frame.to_ndarray().tobytes()) for frame in clip.decode(video=0)]


def test_looking_for_notes_survives_nonsense() -> None:
    chance = np.random.default_rng(7)
    for size in [*range(60), 400]:
        for codec in ("h264", "hevc", "vp9"):
            settings, packet = b"\1" + chance.bytes(size), chance.bytes(size + 1)
            notes = Notes(codec, settings)
            notes.settings()
            assert len(notes.without(packet)) <= len(packet)
