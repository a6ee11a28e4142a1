"""How fast pages answer while 50 people use the service and clips are measured.

`python -m tests.benchmarks.many_people CLIP`, a clip of toe taps of at least half a minute.

The real server runs in a folder of its own on loopback. One clip is measured first, and everybody gets a
copy of its result. Then each person reads pages with a pause of about a second in between, as people do:
clients their own, every fifth the coach's; everybody watches video and curves. Every other client sends a
clip in parts meanwhile. After a first time, in which code is loaded and looks at new things are noted, once without
and once with clips being measured, in one run; told are the 50th and 95th percentile of answers, and the ratio. With measuring, what is sent arrives whole and is checked; the
answer to such a last part, which comes after the check, is not a page's and is told apart.
"""

import base64
import os
import random
import statistics
import struct
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx2

from service.files import KINDS, Files
from service.settings import Settings
from service.store.columns import new_id
from service.store.models import Base, Clip, StoredReport
from service.store.session import Store

PEOPLE, SECONDS, PART, PARTS = 50, 30.0, 512 * 1024, 25
PORT = 8799
ADDRESS = f"http://127.0.0.1:{PORT}"
TUS = {"Tus-Resumable": "1.0.0"}
PASSWORD = "only for measuring"
CLIENT = ("/", "/privacy", "/clients/{me}/weeks", "/clips/{clip}", "/clips/{clip}",
          "/api/clips/{clip}/video", "/api/clips/{clip}/track")  # fmt: skip
COACH = ("/", "/clients", "/clients/{client}", "/clients/{client}/weeks", "/clips/{clip}", "/clips/{clip}/range",
         "/api/clips/{clip}/video", "/api/clips/{clip}/track")  # fmt: skip


class Person:
    """Somebody with a browser; a coach reads about a client."""

    def __init__(self, http: httpx2.Client, person_id: str, paths: tuple[str, ...]) -> None:
        self.http, self.id, self.session, self.paths = http, person_id, "", paths
        self.named: dict[str, str] = {"me": person_id}
        self.times_s: list[tuple[str, float]] = []  # what was asked for, and how long it took
        self.checks_s: list[tuple[str, float]] = []

    def start_session(self) -> None:
        """Answer the questions that come before exercise."""
        asked = self.http.get("/api/before-session").json()["questions"]
        data = {"pain_before": 1, "answers": {q["kind"]: False for q in asked}}
        self.session = self.http.post("/api/sessions", json=data).json()["id"]

    def live(self, until: float, clip: bytes, to_the_end: bool) -> None:
        """Read pages, and send a clip in parts where there is one, until a moment."""
        upload, offset = self.announce(len(clip)) if clip else "", 0
        while time.monotonic() < until:
            time.sleep(random.uniform(0.5, 1.5))
            last = offset + PART >= len(clip)
            if clip and offset < len(clip) and (to_the_end or not last):
                times = self.checks_s if last else self.times_s
                self.timed(
                    times, "a part sent", f"/api/uploads/{upload}", clip[offset : offset + PART], offset
                )
                offset += PART
            path = random.choice(self.paths)
            self.timed(self.times_s, path, path.format(**self.named))
        if upload and offset < len(clip):
            self.http.delete(f"/api/uploads/{upload}")

    def timed(
        self, times: list[tuple[str, float]], what: str, path: str, part: bytes = b"", offset: int = 0
    ) -> None:
        """Ask for something, or send a part, and note how long the answer took."""
        headers = {"Content-Type": "application/offset+octet-stream", "Upload-Offset": str(offset)} | TUS
        start = time.monotonic()
        answer = self.http.patch(path, content=part, headers=headers) if part else self.http.get(path)
        times.append((what, time.monotonic() - start))
        assert answer.status_code < 400, (path, answer.status_code, answer.text)

    def announce(self, length: int) -> str:
        """Announce a clip; returns the identifier of the upload."""
        pairs = {"exercise": "toe_tap", "session": self.session}
        metadata = ",".join(f"{k} {base64.b64encode(v.encode()).decode()}" for k, v in pairs.items())
        headers = TUS | {"Upload-Length": str(length), "Upload-Metadata": metadata}
        return str(self.http.post("/api/uploads", headers=headers).json()["id"])

    def send(self, clip: bytes) -> str:
        """Send a clip in one go; returns its identifier."""
        upload = self.announce(len(clip))
        headers = TUS | {"Content-Type": "application/offset+octet-stream", "Upload-Offset": "0"}
        self.http.patch(f"/api/uploads/{upload}", content=clip, headers=headers).raise_for_status()
        return upload

    def follow(self, clip_id: str) -> None:
        """Watch how far a clip is until it is measured."""
        with self.http.stream("GET", f"/api/clips/{clip_id}/progress", timeout=600) as told:
            for _ in told.iter_lines():
                pass

    def follow_in_passing(self, clip_id: str) -> None:
        """The same, until the server is killed at the end."""
        with suppress(httpx2.TransportError):
            self.follow(clip_id)


def browser() -> httpx2.Client:
    """A browser without cookies yet."""
    return httpx2.Client(base_url=ADDRESS, headers={"Origin": ADDRESS}, timeout=60, follow_redirects=True)


def people() -> list[Person]:
    """A practice with 40 clients, and 10 browsers of their coach."""
    first = {"practice": "P", "name": "O", "email": "o@example.org", "password": PASSWORD}
    owner = browser()
    coach = owner.post("/api/first-run", json=first).json()["id"]
    made = []
    for i in range(PEOPLE * 4 // 5):
        http = browser()
        link = owner.post("/api/practice/invitations", json={}).json()["link"]
        data = {"token": link.partition("#")[2], "name": f"C{i}", "email": f"c{i}@example.org", "agree": True}
        joined = http.post("/api/join", json=data | {"password": PASSWORD}).json()["id"]
        made.append(Person(http, joined, CLIENT))
        for purpose in ("measure", "watch", "keep"):
            http.put(f"/api/me/consents/{purpose}")
        made[-1].start_session()
    for client in made[:: len(made) // (PEOPLE // 5)]:
        made.append(Person(browser(), coach, COACH))
        made[-1].http.post("/api/sign-in", json={k: first[k] for k in ("email", "password")})
        made[-1].named["client"] = client.id
    return made


def hand_out(folder: Path, clip_id: str, everybody: list[Person]) -> None:
    """Give each client a copy of a measured clip, so that everybody has something to watch."""
    settings = Settings(data_dir=folder)
    store, files = Store(settings), Files(settings)
    clips = {}
    with store.write() as db:
        for client in (p for p in everybody if p.session):
            clips[client.id] = new_id()
            whose = {"clip_id": clips[client.id]}
            for row in (db.get_one(Clip, clip_id), db.get_one(Clip, clip_id).job):
                own = {"client_id": client.id, "session_id": client.session, "id": clips[client.id]}
                db.add(copied(row, own if isinstance(row, Clip) else whose | {"id": new_id()}))
                db.flush()
            db.add(copied(db.get_one(StoredReport, clip_id), whose))
        owner = db.get_one(Clip, clip_id).client_id
    for client_id, copy in clips.items():
        for kind in KINDS:
            data = b"".join(files.read(owner, clip_id, kind, 0, files.size(owner, clip_id, kind)))
            files.put(client_id, copy, kind, data)
    for p in everybody:
        p.named["clip"] = clips[p.named.get("client", p.id)]
    store.close()


def copied(row: Base, changed: dict[str, Any]) -> Base:
    """A new row with other values in some columns."""
    return type(row)(**{c.name: getattr(row, c.name) for c in row.__table__.columns} | changed)


def padded(clip: bytes) -> bytes:
    """The clip with an empty box at its end, so that sending it takes a while."""
    size = PARTS * PART - len(clip)
    return clip + struct.pack(">I4s", size, b"free") + bytes(size - 8)


def phase(everybody: list[Person], clip: bytes, to_the_end: bool) -> float:
    """95th percentile of answers [s] while everybody lives for a while."""
    until = time.monotonic() + SECONDS
    senders = {id(p) for p in [p for p in everybody if p.session][::2]}
    threads = [
        threading.Thread(target=p.live, args=(until, clip if id(p) in senders else b"", to_the_end))
        for p in everybody
    ]
    for p in everybody:
        p.times_s.clear()
    load = os.getloadavg()[0]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    times = [t for p in everybody for t in p.times_s]
    cuts = statistics.quantiles([t for _, t in times], n=100)
    print(
        f"  {len(times)} answers, median {cuts[49] * 1000:.0f} ms, 95th percentile {cuts[94] * 1000:.0f} ms"
    )
    for what in sorted({what for what, _ in times}):
        middle = statistics.median(t for name, t in times if name == what)
        print(f"    {what}: median {middle * 1000:.0f} ms")
    checks = [t for p in everybody for _, t in p.checks_s]
    if checks:
        print(f"  {len(checks)} clips arrived whole, each checked within {max(checks):.1f} s")
    print(f"  load of this machine {load:.1f} before, {os.getloadavg()[0]:.1f} after")
    return cuts[94]


def run(folder: Path, clip: bytes) -> None:
    """Measure without and with load, in one run."""
    everybody = people()
    first = everybody[0].send(clip)
    everybody[0].follow(first)
    hand_out(folder, first, everybody)
    print(f"{PEOPLE} people, who open their pages for the first time:")
    phase(everybody, padded(clip), to_the_end=False)
    print(f"{PEOPLE} people, nothing is measured:")
    before = phase(everybody, padded(clip), to_the_end=False)
    for p in everybody[:5]:
        threading.Thread(target=p.follow_in_passing, args=(p.send(clip),), daemon=True).start()
    print(f"{PEOPLE} people while clips are measured:")
    during = phase(everybody, padded(clip), to_the_end=True)
    states = [
        c["job"]["state"] for p in everybody[:5] for c in p.http.get(f"/api/clients/{p.id}/clips").json()
    ]
    assert "running" in states, "nothing was measured any more at the end; take a longer clip"
    print(f"ratio of the 95th percentiles: {during / before:.2f}")


def main() -> None:
    """Start a server and measure."""
    clip = Path(sys.argv[1]).read_bytes()
    env = os.environ | {"MATLINE_SIGN_INS_PER_MINUTE": "10000", "MATLINE_ARGON2_MEMORY_KIB": "1024"}
    with tempfile.TemporaryDirectory() as folder:
        code = f"from service.command import serve; serve(['--port','{PORT}','--data','{folder}'])"
        server = subprocess.Popen([sys.executable, "-c", code], env=env, stdout=subprocess.DEVNULL)
        try:
            while True:
                try:
                    httpx2.get(f"{ADDRESS}/api/first-run")
                    break
                except httpx2.TransportError:
                    time.sleep(0.2)
            run(Path(folder), clip)
        finally:
            server.kill()
            server.wait()


if __name__ == "__main__":
    main()
