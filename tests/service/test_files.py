"""Files of clips: the same in a local folder and in an S3-compatible store."""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from desk import Desk, settings_for
from obstore.exceptions import PermissionDeniedError

from service.errors import NotFound
from service.files import KINDS, Files, part_file

CLIENT, OTHER, CLIP = "c1", "c11", "clip1"


@pytest.fixture(params=["local", "s3"])
def files(request: pytest.FixtureRequest, tmp_path: Path) -> Files:
    more = request.getfixturevalue("bucket") if request.param == "s3" else {}
    return Files(settings_for(tmp_path, **more))


def test_what_is_put_comes_back(files: Files, tmp_path: Path) -> None:
    """Also what is too large for one request: a store then gets it in parts."""
    data = os.urandom(12 * 1024**2 + 7)
    source = tmp_path / "clip"
    source.write_bytes(data)
    files.put(CLIENT, CLIP, "original", source)
    assert files.size(CLIENT, CLIP, "original") == len(data)
    assert files.fetch(CLIENT, CLIP, "original", tmp_path / "copy").read_bytes() == data


def test_a_second_file_takes_the_place_of_the_first(files: Files, tmp_path: Path) -> None:
    for data in (b"long before", b"short"):
        files.put(CLIENT, CLIP, "track.json.gz", data)
    assert files.fetch(CLIENT, CLIP, "track.json.gz", tmp_path / "copy").read_bytes() == b"short"


@pytest.mark.parametrize(("start", "stop"), [(0, 1), (5, 1024**2 + 5), (1024**2, 3 * 1024**2), (3, 3)])
def test_ranges_are_exact(files: Files, start: int, stop: int) -> None:
    data = os.urandom(3 * 1024**2)
    files.put(CLIENT, CLIP, "review.mp4", data)
    assert b"".join(files.read(CLIENT, CLIP, "review.mp4", start, stop)) == data[start:stop]


def test_what_is_not_there_is_said_so(files: Files, tmp_path: Path) -> None:
    with pytest.raises(NotFound):
        files.size(CLIENT, CLIP, "original")
    with pytest.raises(NotFound):
        files.fetch(CLIENT, CLIP, "original", tmp_path / "copy")
    files.delete(CLIENT, CLIP, "original")
    files.delete(CLIENT, CLIP)
    assert files.names(CLIENT) == []


def test_deleting_takes_what_it_names_and_no_more(files: Files) -> None:
    for client in (CLIENT, OTHER):
        for clip in (CLIP, CLIP + "1"):
            files.put(client, clip, "original", b"1")
            files.put(client, clip, part_file("p"), b"2")
    files.delete(CLIENT, CLIP, "original")
    assert files.names(f"{CLIENT}/{CLIP}") == [f"{CLIENT}/{CLIP}/part-p"]
    files.delete(CLIENT, CLIP)
    assert len(files.names(CLIENT)) == 2, "those of the other clip, whose name begins alike"
    files.delete_client(CLIENT)
    assert files.names(CLIENT) == []
    assert len(files.names()) == len(files.names(OTHER)) == 4


def test_a_file_is_on_the_disk_before_anybody_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With every folder that leads to it, as a power cut would else take it along."""
    files, real, written = Files(settings_for(tmp_path)), os.fsync, []

    def noted(handle: int) -> None:
        written.append(Path(f"/proc/self/fd/{handle}").readlink())
        real(handle)

    monkeypatch.setattr(os, "fsync", noted)
    files.put(CLIENT, CLIP, "original", b"1")
    clips = tmp_path / "clips"
    assert written == [
        clips / CLIENT / CLIP / "original", clips / CLIENT / CLIP, clips / CLIENT, clips
    ]  # fmt: skip


def test_a_wrong_key_is_refused(tmp_path: Path, bucket: dict[str, str]) -> None:
    with pytest.raises(PermissionDeniedError):
        Files(settings_for(tmp_path, **bucket | {"s3_secret_key": "wrong"})).put(
            CLIENT, CLIP, "original", b"1"
        )


def test_a_clip_in_a_store_from_upload_to_deletion(
    open_desk: Callable[..., Desk], clip_bytes: bytes, bucket: dict[str, str], tmp_path: Path
) -> None:
    desk = open_desk(**bucket)
    client, coach = desk.client("Cleo"), desk.owner
    desk.send_clip(client, clip_bytes)
    clip_id = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    assert desk.wait(client, clip_id)["job"]["state"] == "done"
    kept = {name.rpartition("/")[2] for name in desk.services.files.names(client.id)}
    assert kept == set(KINDS)
    assert not list((tmp_path / "data").rglob("*.mp4")), "nothing of it is on this machine"

    whole = coach.get(f"/clips/{clip_id}/video").content
    piece: Any = coach.get(f"/clips/{clip_id}/video", headers={"Range": "bytes=100-299"})
    assert (piece.status_code, piece.content) == (206, whole[100:300])
    assert len(coach.ok("get", f"/clips/{clip_id}/track")["points"]) == 10

    assert client.delete(f"/clips/{clip_id}").status_code == 204
    assert desk.services.files.names() == []
