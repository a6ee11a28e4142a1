"""Rooms for working copies of clips, which do not outlive their process, even one that is killed.

Each room has a lock beside it, which the system frees when its process dies. Whoever finds the lock
free knows that nobody works in the room any more, and deletes it.
"""

import fcntl
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from service.settings import Settings
from service.store.columns import new_id

_LOCK = ".lock"


@contextmanager
def room(parent: Path) -> Iterator[Path]:
    """An empty folder in `parent`; at the end of the block it is gone with everything in it."""
    parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    lock, held = _new_lock(parent)
    with held:
        folder = lock.with_suffix("")
        folder.mkdir(mode=0o700)
        try:
            yield folder
        finally:
            _remove(lock)


def clean(settings: Settings) -> None:
    """Delete the rooms of dead processes; those of living ones stay."""
    for parent in (settings.work_dir, settings.drafts_dir):
        for name in {path.stem for path in parent.glob("*")}:
            _clean(parent / f"{name}{_LOCK}")


def _clean(lock: Path) -> None:
    with lock.open("a") as held:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return
        _remove(lock)


def _new_lock(parent: Path) -> tuple[Path, Any]:
    """The lock of a room that is to be made, and its open file, which holds it."""
    while True:
        path = parent / f"{new_id()}{_LOCK}"
        file = path.open("x")
        fcntl.flock(file, fcntl.LOCK_EX)
        if os.fstat(file.fileno()).st_nlink:
            return path, file
        file.close()  # somebody cleaned between the two lines above


def _remove(lock: Path) -> None:
    """Delete a room and its lock; where a process that is just dying still wrote, both stay for next time."""
    folder = lock.with_suffix("")
    shutil.rmtree(folder, ignore_errors=True)
    if not folder.exists():
        lock.unlink(missing_ok=True)
