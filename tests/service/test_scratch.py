"""Working copies of clips do not outlive who worked on them, even where that one was killed."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from desk import open_at, settings_for, until
from shop import Shop, check_done_once

from service import scratch
from service.measure import RESULTS
from service.settings import Settings

REAL = Path(__file__).parents[2] / "sample_clips" / "knee_rolls_909.mp4"

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
    return [path for path in settings.drafts_dir.rglob("*") if path.parent != settings.drafts_dir]


def test_a_killed_worker_leaves_nothing_that_anybody_would_have_to_delete(shop: Shop) -> None:
    shop.send(1)
    worker = shop.start(60)
    shop.until(lambda: len(shop.clip) in open_at(shop.settings, worker.pid).values())
    assert all(link.endswith("(deleted)") for link in open_at(shop.settings)), "no file has a name"
    worker.send_signal(signal.SIGKILL)
    worker.wait()
    until(lambda: not open_at(shop.settings))
    assert not list(shop.settings.work_dir.glob("*")), "though nobody cleaned"


@pytest.mark.timeout(1200)
def test_what_comes_of_a_clip_has_no_name_either(shop: Shop) -> None:
    """Killed while the video is written, after a real measuring; the next worker brings it to its end."""
    shop.clip = REAL.read_bytes()
    shop.send(1)
    worker = shop.start(measure="service.measure:measure")

    def filled() -> int:
        assert not list(shop.settings.work_dir.glob("*"))
        return sum(size > 0 for size in open_at(shop.settings, worker.pid).values())

    shop.until(lambda: filled() == 1 + len(RESULTS), seconds=600)  # with the clip; the video comes last
    worker.send_signal(signal.SIGKILL)
    worker.wait()
    until(lambda: not open_at(shop.settings))
    assert not list(shop.settings.work_dir.glob("*"))
    shop.start(measure="service.measure:measure")
    shop.until(shop.finished, seconds=600)
    check_done_once(shop, 1)


def test_who_is_killed_while_a_file_is_stored_leaves_no_half_once_a_server_starts(
    tmp_path: Path,
) -> None:
    settings, source = settings_for(tmp_path / "data"), tmp_path / "clip"
    source.write_bytes(b"a private clip")
    env = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    arguments = [sys.executable, "-c", PUTTING, str(settings.data_dir), str(source)]
    putting = subprocess.Popen(arguments, env=env)
    until(lambda: any(c.is_file() and c.stat().st_size for c in copies(settings)))
    putting.send_signal(signal.SIGKILL)
    putting.wait()
    assert copies(settings)
    code = "from service.command import serve; serve(['--port', '8797', '--workers', '0', '--data', DATA])"
    code = code.replace("DATA", repr(str(settings.data_dir)))
    server = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.DEVNULL)
    try:
        until(lambda: not copies(settings))
    finally:
        server.kill()
        server.wait()


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
    assert not list(settings.work_dir.glob("*"))
