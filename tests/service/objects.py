"""An S3-compatible server of its own, which asks for signatures as a real one does."""

import json
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

KEY, SECRET = "matline", "only for tests"
SERVER = Path(sys.executable).with_name("weed")


@contextmanager
def serving(folder: Path) -> Iterator[dict[str, str]]:
    """Settings of the service that name a bucket in a server on loopback."""
    allowed = {"name": KEY, "credentials": [{"accessKey": KEY, "secretKey": SECRET}], "actions": ["Admin"]}
    (folder / "s3.json").write_text(json.dumps({"identities": [allowed]}))
    ports = _free_ports()
    endpoint = f"http://127.0.0.1:{ports['s3.port']}"
    with (folder / "log").open("w") as log:
        server = subprocess.Popen(_command(folder, ports), cwd=folder, stdout=log, stderr=log)
    try:
        _wait(f"{endpoint}/healthz", server, folder / "log")
        yield {
            "files_url": "s3://clips-of-tests",
            "s3_endpoint": endpoint,
            "s3_access_key": KEY,
            "s3_secret_key": SECRET,
        }
    finally:
        server.kill()  # it takes its time to stop kindly, and nothing of it is kept
        server.wait()


def _command(folder: Path, ports: dict[str, int]) -> list[str]:
    at = [f"-{name}={port}" for name, port in ports.items()]
    loopback = ["-ip=127.0.0.1", "-ip.bind=127.0.0.1", "-master.telemetry=false"]
    small = ["-master.volumeSizeLimitMB=64", "-volume.max=8"]
    s3 = ["-s3", f"-s3.config={folder / 's3.json'}", "-s3.iam=false"]
    # What else it offers has fixed ports, on which two servers would collide.
    s3 += ["-s3.port.iceberg=0", "-s3.port.lance=0"]
    return [str(SERVER), "-logtostderr", "server", f"-dir={folder}", *loopback, *small, *s3, *at]


def _free_ports() -> dict[str, int]:
    parts = ("master", "volume", "filer", "s3")
    with ExitStack() as held:
        free = {}
        for name in [f"{part}.{kind}" for part in parts for kind in ("port", "port.grpc")]:
            place = held.enter_context(socket.socket())
            place.bind(("127.0.0.1", 0))
            free[name] = place.getsockname()[1]
    return free


def _wait(url: str, server: subprocess.Popen[bytes], log: Path) -> None:
    for _ in range(600):
        try:
            urllib.request.urlopen(url).close()
            return
        except OSError:
            assert server.poll() is None, log.read_text()[-2000:]
            time.sleep(0.1)
    raise AssertionError(log.read_text()[-2000:])
