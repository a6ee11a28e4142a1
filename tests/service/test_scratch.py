"""Working copies of clips do not outlive who worked on them, even where that one was killed."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from desk import settings_for
from shop import Shop

from service import scratch
from service.settings import Settings

# Somebody who is killed while a clip is being stored: half of it is there.
PUTTING = """
import sys, time
from pathlib import Path
from service import files
from desk import settings_for
def half(source, target):
    target.write_bytes(source.read_bytes()[:5])
    time.sleep(60)
files.shutil.copyfile = half
files.Files(settings_for(Path(sys.argv[1]))).put("c1", "clip1", "original", Path(sys.argv[2]))
"""


@pytest.fixture
def shop(tmp_path: Path, clip_bytes: bytes) -> Iterator[Shop]:
    made = Shop(settings_for(tmp_path / "data", workers=0), clip_bytes, tmp_path / "log")
    yield made
    made.close()


def copies(settings: Settings) -> list[Path]:
    folders = (settings.work_dir, settings.drafts_dir)
    return [path for folder in folders for path in folder.rglob("*") if path.parent != folder]


def until(true: Callable[[], bool], seconds: float = 30) -> None:
    for _ in range(round(seconds / 0.05)):
        if true():
            return
        time.sleep(0.05)
    raise AssertionError("not reached")


def test_a_killed_worker_leaves_no_copy_and_a_living_one_keeps_its_own(shop: Shop) -> None:
    shop.send(2)
    quiet = {"MATLINE_TAKEOVER_SECONDS": "600"}  # nobody but this test cleans
    first, second = (shop.start(60, **quiet) for _ in range(2))
    shop.until(lambda: len([c for c in copies(shop.settings) if c.name == "clip"]) == 2)
    both = copies(shop.settings)
    scratch.clean(shop.settings)
    assert set(both) <= set(copies(shop.settings)), "both live"
    first.send_signal(signal.SIGKILL)
    first.wait()
    assert set(both) <= set(copies(shop.settings)), "else nothing would be to clean"
    until(lambda: scratch.clean(shop.settings) or len(copies(shop.settings)) == 1)
    assert second.poll() is None
    assert copies(shop.settings)[0].stat().st_size == len(shop.clip), "the copy of the one that lives"
    second.send_signal(signal.SIGKILL)
    second.wait()
    until(lambda: scratch.clean(shop.settings) or not list(shop.settings.work_dir.iterdir()))


def test_a_server_that_starts_cleans_though_it_does_not_measure(shop: Shop) -> None:
    shop.send(1)
    worker = shop.start(60)
    shop.until(lambda: bool(copies(shop.settings)))
    worker.send_signal(signal.SIGKILL)
    worker.wait()
    code = "from service.command import serve; serve(['--port', '8797', '--workers', '0', '--data', DATA])"
    code = code.replace("DATA", repr(str(shop.settings.data_dir)))
    server = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.DEVNULL)
    try:
        until(lambda: not copies(shop.settings))
    finally:
        server.kill()
        server.wait()


def test_who_is_killed_while_a_file_is_stored_leaves_no_half_of_it(tmp_path: Path) -> None:
    settings, source = settings_for(tmp_path / "data"), tmp_path / "clip"
    source.write_bytes(b"a private clip")
    env = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    arguments = [sys.executable, "-c", PUTTING, str(settings.data_dir), str(source)]
    putting = subprocess.Popen(arguments, env=env)
    until(lambda: any(c.is_file() and c.stat().st_size for c in copies(settings)))
    putting.send_signal(signal.SIGKILL)
    putting.wait()
    assert copies(settings)
    scratch.clean(settings)
    assert not [path for path in settings.data_dir.rglob("*") if path.is_file()]


def test_a_room_goes_with_its_block_and_is_not_entered_meanwhile(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)

    def fail() -> None:
        with scratch.room(settings.work_dir) as room:
            (room / "clip").write_bytes(b"private")
            scratch.clean(settings)
            assert (room / "clip").exists()
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    assert not list(settings.work_dir.iterdir())
