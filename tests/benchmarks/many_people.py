"""How fast pages answer while 50 people use the service and clips are measured.

`python -m tests.benchmarks.many_people CLIP`, a clip of toe taps of at least half a minute.

The real server runs in a folder of its own on loopback. Each person reads pages with a pause of about
a second in between, as people do; every fifth sends a clip in small parts. Once without and once with
clips being measured, in one run; told are the 50th and 95th percentile of answers, and their ratio.
"""

import base64
import os
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import httpx2

PEOPLE, SECONDS, PART = 50, 30.0, 64 * 1024
PORT = 8799
ADDRESS = f"http://127.0.0.1:{PORT}"
TUS = {"Tus-Resumable": "1.0.0"}
PASSWORD = "only for measuring"


class Person:
    """A client with a browser."""

    def __init__(self, http: httpx2.Client, person_id: str) -> None:
        self.http, self.id, self.session = http, person_id, ""
        self.times_s: list[float] = []
        self.paths = ("/", "/api/me", f"/api/clients/{person_id}/today", f"/api/clients/{person_id}/clips",
                      "/api/before-session", "/api/me/feedback")  # fmt: skip

    def start_session(self) -> None:
        """Answer the questions that come before exercise."""
        asked = self.http.get("/api/before-session").json()["questions"]
        data = {"pain_before": 1, "answers": {q["kind"]: False for q in asked}}
        self.session = self.http.post("/api/sessions", json=data).json()["id"]

    def live(self, until: float, clip: bytes | None) -> None:
        """Read pages, and send a clip in parts where there is one, until a moment."""
        upload = self.announce(len(clip)) if clip else ""
        offset = 0
        while time.monotonic() < until:
            time.sleep(random.uniform(0.5, 1.5))
            if clip and offset < len(clip) - PART:  # the last part would only start more measuring
                self.timed("PATCH", f"/api/uploads/{upload}", clip[offset : offset + PART], offset)
                offset += PART
            self.timed("GET", random.choice(self.paths))
        if upload:
            self.http.delete(f"/api/uploads/{upload}")

    def timed(self, method: str, path: str, content: bytes = b"", offset: int = 0) -> None:
        """Ask for something and note how long the answer took."""
        headers = {"Content-Type": "application/offset+octet-stream", "Upload-Offset": str(offset)} | TUS
        start = time.monotonic()
        answer = self.http.request(method, path, content=content, headers=headers if content else None)
        self.times_s.append(time.monotonic() - start)
        assert answer.status_code < 400, (path, answer.status_code, answer.text)

    def announce(self, length: int) -> str:
        """Announce a clip; returns the identifier of the upload."""
        pairs = {"exercise": "toe_tap", "session": self.session}
        metadata = ",".join(f"{k} {base64.b64encode(v.encode()).decode()}" for k, v in pairs.items())
        headers = TUS | {"Upload-Length": str(length), "Upload-Metadata": metadata}
        return str(self.http.post("/api/uploads", headers=headers).json()["id"])


def browser() -> httpx2.Client:
    """A browser without cookies yet."""
    return httpx2.Client(base_url=ADDRESS, headers={"Origin": ADDRESS}, timeout=60, follow_redirects=True)


def people() -> list[Person]:
    """A practice with 50 clients."""
    owner = browser()
    first = {"practice": "P", "name": "O", "email": "o@example.org", "password": PASSWORD}
    owner.post("/api/first-run", json=first).raise_for_status()
    made = []
    for i in range(PEOPLE):
        http = browser()
        link = owner.post("/api/practice/invitations", json={}).json()["link"]
        data = {"token": link.partition("#")[2], "name": f"C{i}", "email": f"c{i}@example.org", "agree": True}
        made.append(Person(http, http.post("/api/join", json=data | {"password": PASSWORD}).json()["id"]))
        http.put("/api/me/consents/measure")
        made[-1].start_session()
    return made


def phase(everybody: list[Person], clip: bytes) -> tuple[float, float]:
    """50th and 95th percentile of answers [s] while everybody lives for a while."""
    until = time.monotonic() + SECONDS
    threads = [
        threading.Thread(target=p.live, args=(until, clip if i % 5 == 0 else None))
        for i, p in enumerate(everybody)
    ]
    for p in everybody:
        p.times_s.clear()
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    times = sorted(t for p in everybody for t in p.times_s)
    cuts = statistics.quantiles(times, n=100)
    told = f"median {cuts[49] * 1000:.0f} ms, 95th percentile {cuts[94] * 1000:.0f} ms"
    print(f"  {len(times)} answers, {told}")
    return cuts[49], cuts[94]


def main() -> None:
    """Measure without and with load, in one run."""
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
            everybody = people()
            print(f"{PEOPLE} people, nothing is measured:")
            _, before = phase(everybody, clip)
            for p in everybody[:5]:
                upload = p.announce(len(clip))
                headers = TUS | {"Content-Type": "application/offset+octet-stream", "Upload-Offset": "0"}
                p.http.patch(f"/api/uploads/{upload}", content=clip, headers=headers).raise_for_status()
            print(f"{PEOPLE} people while clips are measured:")
            _, during = phase(everybody, clip)
            print(f"ratio of the 95th percentiles: {during / before:.2f}")
        finally:
            server.kill()
            server.wait()


if __name__ == "__main__":
    main()
