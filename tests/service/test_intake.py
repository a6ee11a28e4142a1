"""What happens to clips that have arrived: checked a few at a time, once, and not kept when dropped."""

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from desk import Desk, add_bytes, announce

from service import intake
from service.settings import Settings


def test_what_was_dropped_while_it_was_checked_leaves_nothing(
    desk: Desk, clip_bytes: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = desk.client("Cleo")
    made = announce(client, len(clip_bytes), exercise="toe_tap", session=desk.session_of(client)).json()
    real = intake.check

    def meanwhile(*arguments: Any) -> dict[str, Any]:
        found = real(*arguments)
        client.ok("delete", f"/uploads/{made['id']}")
        return found

    monkeypatch.setattr(intake, "check", meanwhile)
    add_bytes(client, made["id"], 0, clip_bytes)
    assert client.ok("get", f"/clients/{client.id}/clips") == []
    assert desk.services.files.names() == []
    assert not list(desk.services.settings.uploads_dir.glob("*"))


def test_pages_answer_and_nothing_is_done_twice_while_many_clips_are_checked(
    open_desk: Callable[..., Desk], clip_bytes: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = open_desk(workers=0, open_uploads=100)
    client, go, checks = desk.client("Cleo"), threading.Event(), []
    session, real = desk.session_of(client), intake.check

    def slow(settings: Settings, file: Path, clean: Path) -> dict[str, Any]:
        checks.append(file.name)
        assert go.wait(60)
        return real(settings, file, clean)

    monkeypatch.setattr(intake, "check", slow)
    meta = {"exercise": "toe_tap", "session": session, "client": client.id}
    sent = [announce(desk.owner, len(clip_bytes), **meta).json()["id"] for _ in range(45)]
    # The coach sends: the requests of that browser share a loop, as those of a server do.
    with ThreadPoolExecutor(60) as pool:
        ends = [pool.submit(add_bytes, desk.owner, one, 0, clip_bytes) for one in sent]
        until(lambda: len(checks) == 2)
        again = pool.submit(add_bytes, desk.owner, checks[0], len(clip_bytes), b"")
        assert again.result(20).status_code == 409
        assert pool.submit(desk.owner.get, "/me").result(20).status_code == 200
        assert len(checks) == 2
        go.set()
        assert [end.result(300).status_code for end in ends] == [204] * len(sent)
    assert sorted(checks) == sorted(sent)


def until(true: Callable[[], bool]) -> None:
    for _ in range(600):
        if true():
            return
        time.sleep(0.05)
    raise AssertionError("not reached")
