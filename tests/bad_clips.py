"""Clips encoded on the spot, each with one thing that phones, copies or attackers do to a file."""

import struct
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

QUICK_VP8 = {"deadline": "realtime", "cpu-used": "8"}
QUICK_HEVC = {"x265-params": "log-level=0", "preset": "ultrafast"}
WIDTH, HEIGHT, RATE_HZ = 320, 240, 30
EVEN_S = tuple(i / RATE_HZ for i in range(75))


def picture(time_s: float, width: int = WIDTH, height: int = HEIGHT) -> np.ndarray:
    """Red top left quarter; the grey of the rest tells the time."""
    image = np.full((height, width, 3), 40 + round(60 * min(time_s, 3)), np.uint8)
    image[: height // 2, : width // 2] = (220, 20, 20)
    return image


def grey(image: np.ndarray) -> float:
    return float(image[-20:, -20:].mean())


def encode(
    path: Path,
    times_s: tuple[float, ...] = EVEN_S,
    codec: str = "libx264",
    pixels: str = "yuv420p",
    size: tuple[int, int] = (WIDTH, HEIGHT),
    turned_deg: int = 0,
    codec_options: dict[str, str] | None = None,
    **muxer: str,
) -> Path:
    with av.open(str(path), "w", options=muxer) as container:
        stream = container.add_stream(codec, options=codec_options or {})
        stream.width, stream.height, stream.pix_fmt = *size, pixels
        stream.codec_context.time_base = Fraction(1, 90_000)
        if turned_deg:
            stream.set_display_rotation(turned_deg)
        for t in times_s:
            frame = av.VideoFrame.from_ndarray(picture(t, *size), format="rgb24")
            frame.pts, frame.time_base = round(t * 90_000), Fraction(1, 90_000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def written(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def audio_only(path: Path) -> Path:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=44_100)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 44_100), np.float32), format="fltp", layout="mono")
        frame.rate = 44_100
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def folder(path: Path) -> Path:
    path.mkdir()
    return path


def claiming_size(path: Path, width: int, height: int) -> Path:
    """A file whose sample entry claims another size than its pictures have."""
    data = bytearray(encode(path).read_bytes())
    entry = data.index(b"avc1", data.index(b"tkhd"))
    data[entry + 28 : entry + 32] = width.to_bytes(2, "big") + height.to_bytes(2, "big")
    return written(path, bytes(data))


def claiming_hours(path: Path, hours: float) -> Path:
    """A WebM file whose Duration element (0x4489, a float of 8 bytes, in ms) claims hours."""
    data = bytearray(encode(path, codec="libvpx", times_s=EVEN_S[::8]).read_bytes())
    at = data.index(b"\x44\x89\x88") + 3
    data[at : at + 8] = struct.pack(">d", hours * 3_600_000)
    return written(path, bytes(data))


def header_alone(path: Path) -> Path:
    """A file that names a picture track and ends there."""
    data = encode(path, movflags="frag_keyframe+empty_moov").read_bytes()
    return written(path, data[: data.index(b"moof") - 4])


# How each bad clip is made in a folder, and what its message says.
BAD: dict[str, tuple[Callable[[Path], Path], str]] = {
    "missing": (lambda d: d / "none.mp4", "no file"),
    "folder": (lambda d: folder(d / "clips.mp4"), "is a folder"),
    "empty": (lambda d: written(d / "a.mp4", b""), "is empty"),
    "text": (lambda d: written(d / "a.mp4", b"hello, this is no film"), "not a video"),
    "playlist": (
        lambda d: written(d / "a.mp4", b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n"),
        "not a video",
    ),
    "truncated": (
        lambda d: written(d / "b.mp4", encode(d / "a.mp4").read_bytes()[:-3000]),
        "its end is missing",
    ),
    "audio only": (lambda d: audio_only(d / "a.m4a"), "no moving picture"),
    "one frame": (lambda d: encode(d / "a.mp4", (0.0,)), "too short"),
    "no time passes": (lambda d: encode(d / "a.mp4", (0.0, 1 / 90_000, 2 / 90_000)), "too short"),
    "header alone": (lambda d: header_alone(d / "a.mp4"), "too short"),
    "one second": (lambda d: encode(d / "a.mp4", EVEN_S[:30]), "too short"),
    "hours claimed": (lambda d: claiming_hours(d / "a.webm", 400), "claims to last"),
    "hours measured": (lambda d: encode(d / "a.mp4", (0.0, 1.0, 3700.0)), "claims to last"),
    "huge": (lambda d: encode(d / "a.mp4", EVEN_S[:2], size=(8320, 240)), "more than can be read"),
    "tiny": (lambda d: encode(d / "a.mp4", size=(160, 120)), "too few to see"),
}
