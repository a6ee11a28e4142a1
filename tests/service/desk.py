"""Helpers of the service tests: a service, the people in it, and clips to send."""

import base64
import contextlib
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from fastapi.testclient import TestClient

from analysis import video
from service.services import Services
from service.settings import Settings

PASSWORD = "correct horse battery"
ORIGIN = {"Origin": "http://127.0.0.1"}
TUS = {"Tus-Resumable": "1.0.0"}


def make_clip(path: Path, seconds: float = 2.5, width: int = 320, height: int = 240) -> Path:
    def pictures() -> Iterator[video.Frame]:
        for i in range(round(seconds * 10)):
            image = np.full((height, width, 3), 40, np.uint8)
            image[60:120, 5 * i % (width - 60) : 5 * i % (width - 60) + 60] = 220
            yield video.Frame(i / 10, image)

    video.write_video(path, pictures())
    return path


def settings_for(folder: Path, **changes: Any) -> Settings:
    usual: dict[str, Any] = {
        "data_dir": folder,
        "argon2_memory_kib": 64,
        "measure": "standin:quick",
        "poll_seconds": 0.05,
        "takeover_seconds": 0.3,
        "sweep_seconds": 3600,
        "requests_per_minute": 1_000_000,
        "sign_ins_per_minute": 1_000_000,
    }
    return Settings(**(usual | changes))


@dataclass
class Someone:
    """A person with their own browser (cookies) or script (token)."""

    http: TestClient
    id: str
    name: str
    origin: dict[str, str] = field(default_factory=lambda: ORIGIN)

    def __getattr__(self, method: str) -> Any:
        call = getattr(self.http, method)

        def send(path: str, **kw: Any) -> Any:
            headers = self.origin | kw.pop("headers", {})
            return call(f"/api{path}", headers=headers, **kw)

        return send

    def ok(self, method: str, path: str, **kw: Any) -> Any:
        answer = getattr(self, method)(path, **kw)
        assert answer.status_code < 300, (path, answer.status_code, answer.text)
        return answer.json() if answer.content else None


@dataclass
class Desk:
    """A running service and the people in it."""

    app: Any
    services: Services
    owner: Someone

    def browser(self) -> TestClient:
        return TestClient(self.app, base_url="http://127.0.0.1")

    def join(self, role: str, name: str, by: Someone | None = None, agree: bool = True) -> Someone:
        invitation = (by or self.owner).ok("post", "/practice/invitations", json={"role": role})
        someone = Someone(self.browser(), "", name)
        data = {
            "token": invitation["link"].partition("#")[2],
            "name": name,
            "email": f"{name.lower()}@example.org",
            "password": PASSWORD,
            "agree": agree,
        }
        someone.id = someone.ok("post", "/join", json=data)["id"]
        return someone

    def client(self, name: str, by: Someone | None = None, agree: bool = True) -> Someone:
        """A client who has agreed to everything."""
        someone = self.join("client", name, by, agree)
        for purpose in ("measure", "watch", "keep"):
            someone.ok("put", f"/me/consents/{purpose}")
        return someone

    @staticmethod
    def session_of(client: Someone, **answers: bool) -> str:
        asked = client.ok("get", "/before-session")["questions"]
        data = {"pain_before": 2, "answers": {q["kind"]: answers.get(q["kind"], False) for q in asked}}
        return client.ok("post", "/sessions", json=data)["id"]

    def send_clip(self, client: Someone, data: bytes, *, session: str | None = None, **meta: str) -> Any:
        """Upload a clip in one go; returns the answer to its last byte."""
        session = session or self.session_of(client)
        made = announce(client, len(data), exercise="toe_tap", session=session, **meta)
        assert made.status_code == 201, made.text
        return add_bytes(client, made.json()["id"], 0, data)

    def wait(self, client: Someone, clip_id: str, seconds: float = 90.0) -> dict[str, Any]:
        """The clip once its job has ended."""
        for _ in range(round(seconds / 0.05)):
            clip = client.ok("get", f"/clips/{clip_id}")
            if clip["job"]["state"] not in ("queued", "running"):
                return clip
            time.sleep(0.05)
        raise AssertionError(f"not finished: {clip['job']}")


def announce(by: Someone, length: int, /, **meta: str) -> Any:
    pairs = ",".join(f"{k} {base64.b64encode(v.encode()).decode()}" for k, v in meta.items())
    return by.post("/uploads", headers=TUS | {"Upload-Length": str(length), "Upload-Metadata": pairs})


def add_bytes(client: Someone, upload_id: str, offset: int, data: bytes) -> Any:
    headers = TUS | {"Upload-Offset": str(offset), "Content-Type": "application/offset+octet-stream"}
    return client.patch(f"/uploads/{upload_id}", headers=headers, content=data)


def open_at(settings: Settings, pid: int | None = None) -> dict[str, int]:
    """What a process, or any, has open in the folder for work: link and bytes of each file."""
    found = {}
    for entry in Path("/proc").glob(f"{pid or '[0-9]*'}/fd/*"):
        with contextlib.suppress(OSError):
            if (link := os.readlink(entry)).startswith(f"{settings.work_dir}/"):
                found[link] = entry.stat().st_size
    return found


def until(true: Callable[[], bool], seconds: float = 30) -> None:
    for _ in range(round(seconds / 0.05)):
        if true():
            return
        time.sleep(0.05)
    raise AssertionError("not reached")
