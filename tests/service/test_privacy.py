"""A person's data: handed out whole, deleted whole, and not kept longer than said."""

import io
import json
import os
import zipfile
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from desk import PASSWORD, Desk, Someone, announce, open_at, until
from sqlalchemy import select

from service import consent, retention
from service.files import KINDS
from service.store.columns import now
from service.store.models import Base, Clip, Practice, Upload


def measured(desk: Desk, client: Someone, data: bytes) -> str:
    desk.send_clip(client, data)
    clip_id: str = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    assert desk.wait(client, clip_id)["job"]["state"] == "done"
    return clip_id


def age(desk: Desk, clip_id: str, days: float) -> None:
    with desk.services.store.write() as db:
        db.get_one(Clip, clip_id).created_at = now() - timedelta(days=days)


def sweep(desk: Desk) -> None:
    retention.sweep(desk.services.store, desk.services.files, desk.services.queue)


def bytes_on_disk(folder: Path) -> bytes:
    return b"".join(f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file())


def test_export_holds_everything(working_desk: Desk, clip_bytes: bytes) -> None:
    client = working_desk.client("Cleo")
    clip_id = measured(working_desk, client, clip_bytes)
    client.ok("post", f"/clips/{clip_id}/comments", json={"text": "my knee clicked"})
    made = client.ok("get", f"/clips/{clip_id}")["created_at"][:10]
    folder = f"{made} toe_tap {clip_id}"
    answer = client.post("/me/export")
    assert answer.headers["content-disposition"].startswith("attachment")
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        names = set(archive.namelist())
        told = archive.read("data.json").decode()
        assert json.loads(archive.read(f"{folder}/report.json"))["schema"] == 1
        for video in ("original.mp4", "review.mp4"):
            assert archive.read(f"{folder}/{video}")[4:8] == b"ftyp"
    files = ("report.json", "original.mp4", "review.mp4", "track.json.gz", "joints.npz")
    assert names == {"data.json", *(f"{folder}/{name}" for name in files)}
    data = json.loads(told)
    assert data["person"][0]["email"] == "cleo@example.org"
    assert data["comment"][0]["text"] == "my knee clicked"
    of_people = {
        table.name
        for table in Base.metadata.sorted_tables
        if {"client_id", "person_id", "subject_id", "clip_id"} & set(table.columns.keys())
    }
    # the report is a file of its own, and jobs hold nothing but how far the measuring is
    assert of_people - set(data) == {"report", "job"}
    assert "argon2" not in told, "no secrets"
    assert not list(working_desk.services.settings.work_dir.glob("*")), "nothing of the zip stays"


def test_deletion_leaves_no_row_and_no_byte(working_desk: Desk, clip_bytes: bytes) -> None:
    desk, coach = working_desk, working_desk.owner
    client, other = desk.client("Cleopatra"), desk.client("Otto")
    kept = measured(desk, other, clip_bytes)
    clip_id = measured(desk, client, clip_bytes)
    client.ok("post", f"/clips/{clip_id}/comments", json={"text": "a very private remark"})
    coach.ok("post", f"/clips/{clip_id}/feedback", json={"text": "words for nobody else"})
    coach.ok("put", f"/clips/{clip_id}/findings/r1.pelvis_tilted.0", json={"accepted": True})
    coach.ok("post", f"/clients/{client.id}/programme", json={"exercise": "clam", "days": [1]})
    announce(client, 99, exercise="clam", session=desk.session_of(client))
    folder = desk.services.settings.data_dir
    marks = (client.id, clip_id, "Cleopatra", "cleopatra@example.org", "very private", "nobody else")
    assert all(mark.encode() in bytes_on_disk(folder) for mark in marks)

    assert client.post("/me/delete", json={"password": "wrong password"}).status_code == 403
    client.ok("post", "/me/delete", json={"password": PASSWORD})

    assert client.get("/me").status_code == 401
    assert not [n for n in desk.services.files.names() if client.id in n]
    assert not [p for p in folder.rglob("*") if client.id in str(p) or clip_id in str(p)]
    with desk.services.store.read() as db:
        for table in Base.metadata.sorted_tables:
            for row in db.execute(select(table)):
                text = str(tuple(row))
                assert not any(mark in text for mark in marks), table.name
    left = bytes_on_disk(folder)
    for mark in marks:
        assert mark.encode() not in left, f"{mark} is still in the bytes of a file"
    assert other.ok("get", f"/clips/{kept}/report"), "nobody else's data went along"
    last = coach.ok("get", "/practice/audit")[0]
    assert (last["what"], last["actor_id"], last["subject_id"]) == ("person_deleted", None, None)


def test_a_clip_being_measured_goes_with_its_person(
    open_desk: Callable[..., Desk], clip_bytes: bytes
) -> None:
    desk = open_desk(measure="standin:endless")
    client = desk.client("Cleo")
    desk.send_clip(client, clip_bytes)
    settings = desk.services.settings
    until(lambda: bool(open_at(settings)))
    client.ok("post", "/me/delete", json={"password": PASSWORD})
    until(lambda: not open_at(settings))
    assert not desk.services.files.names()


def test_a_client_deletes_one_clip(working_desk: Desk, clip_bytes: bytes) -> None:
    client = working_desk.client("Cleo")
    clip_id = measured(working_desk, client, clip_bytes)
    client.ok("delete", f"/clips/{clip_id}")
    assert client.get(f"/clips/{clip_id}").status_code == 404
    assert not working_desk.services.files.names()


def test_the_practice_sets_the_days(working_desk: Desk, clip_bytes: bytes) -> None:
    desk = working_desk
    client = desk.client("Cleo")
    clip_id = measured(desk, client, clip_bytes)
    desk.owner.ok("patch", "/practice", json={"original_days": 1})
    age(desk, clip_id, 2)
    sweep(desk)
    assert not client.ok("get", f"/clips/{clip_id}")["original"]
    client.ok("get", f"/clips/{clip_id}/report")
    assert client.post(f"/clips/{clip_id}/again").status_code == 409, "there is nothing left to measure"


@pytest.mark.parametrize(
    ("days", "consents", "left"),
    [
        (6, ("measure", "watch", "keep"), set(KINDS)),
        (8, ("measure", "watch", "keep"), {"review.mp4", "track.json.gz", "joints.npz"}),
        (91, ("measure", "watch", "keep"), {"joints.npz"}),
        (8, ("measure",), None),
        (6, ("measure",), set(KINDS)),
        (1, ("keep",), {"joints.npz"}),
        (1, (), None),
    ],
)
def test_retention(
    working_desk: Desk, clip_bytes: bytes, days: float, consents: tuple[str, ...], left: set[str] | None
) -> None:
    """With the usual 7 days for originals and 90 for videos; None means that the results are gone, too."""
    desk = working_desk
    client = desk.client(f"Cleo{days}{len(consents)}")
    clip_id = measured(desk, client, clip_bytes)
    age(desk, clip_id, days)
    for purpose in {"measure", "watch", "keep"} - set(consents):
        client.ok("delete", f"/me/consents/{purpose}")
    sweep(desk)
    names = {n.rpartition("/")[2] for n in desk.services.files.names(client.id)}
    assert names == (left or set())
    shown = client.get(f"/clips/{clip_id}")
    assert shown.status_code == (404 if left is None else 200)
    if left is not None:
        assert client.get(f"/clips/{clip_id}/report").status_code == 200
        assert client.get(f"/clips/{clip_id}/video").status_code == (200 if "review.mp4" in left else 404)
        assert shown.json()["original"] == ("original" in left)


def test_new_words_are_asked_about_and_delete_nothing(
    working_desk: Desk, clip_bytes: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = working_desk
    client = desk.client("Cleo")
    clip_id = measured(desk, client, clip_bytes)
    later = tuple(p.model_copy(update={"version": p.version + 1}) for p in consent.purposes())
    monkeypatch.setattr(consent, "purposes", lambda: later)
    sweep(desk)
    assert len(desk.services.files.names(client.id)) == len(KINDS)
    assert not any(c["given"] for c in client.ok("get", "/me/consents"))
    assert announce(client, 99, exercise="clam").status_code == 403
    client.ok("put", "/me/consents/measure")
    client.ok("delete", "/me/consents/measure")
    client.ok("delete", "/me/consents/keep")
    sweep(desk)
    assert client.get(f"/clips/{clip_id}").status_code == 404, "withdrawn in every wording"


def test_unfinished_uploads_and_stray_files_go(desk: Desk) -> None:
    client = desk.client("Cleo")
    made = announce(client, 99, exercise="clam", session=desk.session_of(client)).json()
    folder = desk.services.settings.uploads_dir
    stray = folder / "stray"
    stray.write_bytes(b"x")
    long_ago = (now() - timedelta(days=3)).timestamp()
    os.utime(stray, (long_ago, long_ago))
    sweep(desk)
    assert {p.name for p in folder.iterdir()} == {made["id"]}
    with desk.services.store.write() as db:
        db.get_one(Upload, made["id"]).created_at = now() - timedelta(days=2)
    sweep(desk)
    assert not list(folder.iterdir())


def test_an_upload_that_was_whole_when_the_server_died_is_accepted(desk: Desk, clip_bytes: bytes) -> None:
    client = desk.client("Cleo")
    made = announce(client, len(clip_bytes), exercise="clam", session=desk.session_of(client)).json()
    (desk.services.settings.uploads_dir / made["id"]).write_bytes(clip_bytes)
    with desk.services.store.write() as db:
        db.get_one(Upload, made["id"]).created_at = now() - timedelta(hours=1)
    sweep(desk)
    assert client.ok("get", f"/clips/{made['id']}")["job"]["state"] == "queued"


def test_the_last_owner_hands_over_first(desk: Desk) -> None:
    coach = desk.join("coach", "Carl")
    assert desk.owner.post("/me/delete", json={"password": PASSWORD}).status_code == 409
    desk.owner.ok("put", f"/practice/people/{coach.id}/owner", json={"owner": True})
    desk.owner.ok("post", "/me/delete", json={"password": PASSWORD})
    coach.ok("post", "/me/delete", json={"password": PASSWORD})
    with desk.services.store.read() as db:
        assert db.scalar(select(Practice)) is None, "the practice goes with its last person"
    assert desk.browser().get("/api/first-run").json() is True


def test_an_owner_deletes_an_account_on_request(working_desk: Desk, clip_bytes: bytes) -> None:
    client = working_desk.client("Cleo")
    measured(working_desk, client, clip_bytes)
    working_desk.owner.ok("delete", f"/practice/people/{client.id}")
    assert not working_desk.services.files.names()
    entries: list[dict[str, Any]] = working_desk.owner.ok("get", "/practice/audit")
    assert entries[0]["what"] == "person_deleted"
    assert client.id not in str(entries)
