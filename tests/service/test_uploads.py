"""Uploads: resumed after a kill, checked by content, and answered clearly when they are hostile."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import av
import httpx2
import numpy as np
import pytest
from browsing import CLIPS
from desk import PASSWORD, TUS, Desk, Someone, add_bytes, announce, make_clip

from analysis import video


def send(desk: Desk, client: Someone, data: bytes) -> tuple[int, str]:
    answer = desk.send_clip(client, data)
    return answer.status_code, answer.json()["detail"] if answer.content else ""


@pytest.fixture(scope="module")
def at(module_desk: Desk) -> tuple[Desk, Someone]:
    return module_desk, module_desk.client("Cleo")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"#!/bin/sh\nrm -rf /\n", "no video"),
        (b"%PDF-1.7 " + b"x" * 500, "no video"),
        (b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n", "no video"),
        (b"ffconcat version 1.0\nfile /etc/passwd\n", "no video"),
        (b"\x00\x00\x00\x18ftypmp42" + bytes(2000), "damaged or cut off"),
        (b"\x1a\x45\xdf\xa3" + os.urandom(3000), "cut off"),
        (b"\x00\x00\x00\x08wide\xff\xff\xff\xffmdat" + os.urandom(3000), "cut off"),
    ],
    ids=["script", "pdf", "playlist", "concat", "empty boxes", "noise in webm", "noise in mov"],
)
def test_what_is_no_clip_is_refused_in_words(at: tuple[Desk, Someone], data: bytes, words: str) -> None:
    desk, client = at
    status, detail = send(desk, client, data)
    assert status == 422
    assert words in detail
    assert "/" not in detail, "no path of the server in a message"
    assert not list(desk.services.settings.uploads_dir.glob("*")), "refused bytes are deleted"


def test_a_truncated_clip_is_refused(at: tuple[Desk, Someone], tmp_path: Path) -> None:
    desk, client = at
    whole = make_clip(tmp_path / "a.mp4").read_bytes()
    status, detail = send(desk, client, whole[:2000])
    assert (status, "cut off" in detail) == (422, True)


def test_a_clip_without_its_end_is_refused_though_it_can_be_read(at: tuple[Desk, Someone]) -> None:
    """Its table of contents came first, as in many phones' clips, so that half of it still plays."""
    desk, client = at
    whole = (CLIPS / "toe_tap_921.mp4").read_bytes()
    status, detail = send(desk, client, whole[:200_000])
    assert (status, detail.startswith("The last 14 s of the clip are missing")) == (422, True), detail


def test_a_clip_too_short_says_how_long(at: tuple[Desk, Someone], tmp_path: Path) -> None:
    desk, client = at
    status, detail = send(desk, client, make_clip(tmp_path / "a.mp4", seconds=0.5).read_bytes())
    assert (status, "at least 2 s" in detail) == (422, True)


def test_a_clip_too_long_is_refused(open_desk: Callable[..., Desk], clip_bytes: bytes) -> None:
    desk = open_desk(workers=0, clip_max_s=1.0)
    status, detail = send(desk, desk.client("Cleo"), clip_bytes)
    assert (status, "longer than" in detail) == (422, True)


def test_sizes_and_quota_are_checked_before_a_byte(open_desk: Callable[..., Desk]) -> None:
    desk = open_desk(workers=0, upload_max_bytes=1000, quota_bytes=1500, open_uploads=2)
    client = desk.client("Cleo")
    session = desk.session_of(client)

    def ask(length: int) -> int:
        status: int = announce(client, length, exercise="toe_tap", session=session).status_code
        return status

    assert ask(0) == 422
    assert ask(1001) == 413
    assert ask(1000) == 201
    assert ask(501) == 413, "over the quota"
    assert ask(100) == 201
    assert ask(100) == 409, "too many unfinished"


def test_more_bytes_than_announced_are_refused(at: tuple[Desk, Someone]) -> None:
    desk, client = at
    made = announce(client, 10, exercise="toe_tap", session=desk.session_of(client)).json()
    assert add_bytes(client, made["id"], 0, b"x" * 11).status_code == 413
    assert client.head(f"/uploads/{made['id']}", headers=TUS).headers["upload-offset"] == "0"
    client.ok("delete", f"/uploads/{made['id']}")
    assert client.head(f"/uploads/{made['id']}", headers=TUS).status_code == 404


def test_nobody_writes_without_signing_in(at: tuple[Desk, Someone]) -> None:
    desk, client = at
    made = announce(client, 10, exercise="toe_tap", session=desk.session_of(client)).json()
    nobody = Someone(desk.browser(), "", "")
    assert add_bytes(nobody, made["id"], 0, b"0123456789").status_code == 401
    assert (desk.services.settings.uploads_dir / made["id"]).stat().st_size == 0
    client.ok("delete", f"/uploads/{made['id']}")


def test_consent_and_session_come_first(desk: Desk) -> None:
    client = desk.join("client", "Cleo")
    answer = announce(client, 10, exercise="toe_tap")
    assert answer.status_code == 403
    assert "agreed" in answer.json()["detail"]
    client.ok("put", "/me/consents/measure")
    assert announce(client, 10, exercise="toe_tap").status_code == 422
    session = desk.session_of(client)
    wrong = announce(client, 10, exercise="toe_tapp", session=session)
    assert (wrong.status_code, "toe_tap" in wrong.json()["detail"]) == (422, True)
    assert announce(client, 10, exercise="toe_tap", session=session).status_code == 201


def test_a_broken_protocol_is_told(at: tuple[Desk, Someone]) -> None:
    desk, client = at
    session = desk.session_of(client)
    assert client.post("/uploads", headers={"Upload-Length": "1", "Upload-Metadata": "x"}).status_code == 412
    bad = TUS | {"Upload-Length": "1", "Upload-Metadata": "exercise %%%"}
    assert client.post("/uploads", headers=bad).status_code == 422
    made = announce(client, 10, exercise="toe_tap", session=session).json()
    assert add_bytes(client, made["id"], 3, b"0").status_code == 409
    wrong = client.patch(f"/uploads/{made['id']}", headers=TUS | {"Upload-Offset": "0"}, content=b"x")
    assert wrong.status_code == 415
    client.ok("delete", f"/uploads/{made['id']}")


def test_pieces_make_the_same_clip(at: tuple[Desk, Someone], clip_bytes: bytes) -> None:
    desk, client = at
    session = desk.session_of(client)
    made = announce(client, len(clip_bytes), exercise="toe_tap", session=session, filename="../../x").json()
    middle = len(clip_bytes) // 2
    assert add_bytes(client, made["id"], 0, clip_bytes[:middle]).headers["upload-offset"] == str(middle)
    assert client.ok("get", f"/uploads/{made['id']}/state")["state"] == "receiving"
    assert add_bytes(client, made["id"], middle, clip_bytes[middle:]).status_code == 204
    assert client.ok("get", f"/uploads/{made['id']}/state")["state"] == "accepted"
    assert client.ok("get", f"/clips/{made['id']}")["duration_s"] == pytest.approx(2.5)
    names = desk.services.files.names()
    assert not any("x" in name for name in names), "nothing that a person typed is in a name"


def test_metadata_and_sound_do_not_arrive(tmp_path: Path) -> None:
    """Place, date and device are gone; the picture's times and rotation are not."""
    source, clean = tmp_path / "phone.mp4", tmp_path / "clean"
    write_phone_clip(source)
    assert b"+52.5200+013.4050" in source.read_bytes()
    video.copy_picture(source, clean)
    left = clean.read_bytes()
    for private in (b"+52.5200+013.4050", b"Handheld", b"2026-03-04"):
        assert private not in left
    before, after = video.probe(source), video.probe(clean)
    assert after.time_s == pytest.approx(before.time_s, abs=1e-3)
    assert (after.width, after.height, after.rotation_deg) == (
        before.width,
        before.height,
        before.rotation_deg,
    )
    with av.open(str(clean)) as container:
        assert [s.type for s in container.streams] == ["video"]


def write_phone_clip(path: Path) -> None:
    """A clip with place, device, date and sound, as a phone writes it."""
    plain = make_clip(path.with_suffix(".plain.mp4"))
    options = {"movflags": "use_metadata_tags"}
    with av.open(str(plain)) as source, av.open(str(path), "w", options=options) as out:
        out.metadata["location"] = "+52.5200+013.4050/"
        out.metadata["model"] = "Handheld"
        out.metadata["date"] = "2026-03-04"
        picture = out.add_stream_from_template(source.streams.video[0])
        sound = out.add_stream("aac", rate=44100, layout="mono")
        for packet in source.demux(video=0):
            if packet.dts is not None:
                packet.stream = picture
                out.mux(packet)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        frame.sample_rate, frame.pts = 44100, 0
        out.mux([*sound.encode(frame), *sound.encode(None)])


# ------------------------------------------------------------ a server that is killed half-way


@pytest.fixture
def address() -> str:
    """A place at which nobody listens."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        return f"http://127.0.0.1:{free.getsockname()[1]}"


@pytest.fixture
def start(tmp_path: Path, address: str) -> Iterator[Callable[[], subprocess.Popen[bytes]]]:
    """Starts the real server, again and again on the same data and address."""
    started: list[subprocess.Popen[bytes]] = []
    options = ["--port", address.rpartition(":")[2], "--data", str(tmp_path / "data"), "--workers", "0"]
    code = f"from service.command import serve; serve({options})"
    env = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path), "MATLINE_ARGON2_MEMORY_KIB": "64"}

    def starting() -> subprocess.Popen[bytes]:
        server = subprocess.Popen([sys.executable, "-c", code], env=env, stdout=subprocess.DEVNULL)
        started.append(server)
        for _ in range(600):
            with contextlib.suppress(httpx2.TransportError):
                httpx2.get(f"{address}/api/first-run")
                return server
            time.sleep(0.1)
        raise AssertionError("the server did not start")

    yield starting
    for server in started:
        server.kill()
        server.wait()


def test_an_upload_goes_on_after_the_server_was_killed(
    start: Callable[[], subprocess.Popen[bytes]], address: str, tmp_path: Path
) -> None:
    data = make_clip(tmp_path / "long.mp4", seconds=6).read_bytes()
    cut = len(data) // 2
    server = start()
    http = httpx2.Client(base_url=address, headers={"Origin": address}, timeout=60)
    client = first_client(http)
    session = Desk.session_of(client)
    upload = announce(client, len(data), exercise="toe_tap", session=session).json()["id"]

    def dying() -> Iterator[bytes]:
        yield data[:cut]
        time.sleep(0.5)
        os.kill(server.pid, signal.SIGKILL)
        yield data[cut : cut + 10]

    headers = TUS | {"Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"}
    with pytest.raises(httpx2.TransportError):
        http.patch(f"/api/uploads/{upload}", headers=headers, content=dying())
    server.wait()
    start()
    offset = int(client.head(f"/uploads/{upload}", headers=TUS).headers["upload-offset"])
    assert offset <= cut, "only what really arrived counts"
    answer = add_bytes(client, upload, offset, data[offset:])
    assert answer.status_code == 204, answer.text
    assert client.ok("get", f"/clips/{upload}")["duration_s"] == pytest.approx(6.0)


def first_client(http: httpx2.Client) -> Someone:
    """A client on a new server, signed in."""
    someone = Someone(http, "", "C", origin={})  # type: ignore[arg-type]
    first = {"practice": "P", "name": "O", "email": "o@example.org", "password": PASSWORD}
    someone.ok("post", "/first-run", json=first)
    link = someone.ok("post", "/practice/invitations", json={"role": "client"})["link"]
    joined = {"token": link.partition("#")[2], "name": "C", "email": "c@example.org", "password": PASSWORD}
    someone.ok("post", "/join", json=joined)
    someone.ok("put", "/me/consents/measure")
    return someone
