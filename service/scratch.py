"""Places for working copies of clips, which do not outlive their process, even one that is killed.

What is measured, and what comes of it, is in files without a name (`sheets`): the system itself gives
up their bytes when the last process that has them open ends. Where a name is needed there are rooms. Each
has a lock beside it, which the system frees when its process dies; whoever finds the lock free knows that
nobody works in the room any more, and deletes it.
"""

import fcntl
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from tempfile import NamedTemporaryFile, TemporaryFile
from typing import Any, Final

from service.settings import Settings
from service.store.columns import new_id

OPEN_FILES: Final = Path("/proc/self/fd")  # where a process reaches its open files, those without a name too
_LOCK = ".lock"


@contextmanager
def sheets(parent: Path) -> Iterator[Callable[[], Path]]:
    """A function that makes empty files on the disk of `parent`, which have no name and go with the block.

    Each is reached by its path among the open files of this process; `limits.run` hands it to a child. Where
    the system has no such paths, they are files of a room.
    """
    nameless = OPEN_FILES.exists()
    with ExitStack() as stack:
        folder = parent if nameless else stack.enter_context(room(parent))
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)

        def new() -> Path:
            if not nameless:
                return Path(stack.enter_context(NamedTemporaryFile(dir=folder)).name)
            return OPEN_FILES / str(stack.enter_context(TemporaryFile(dir=folder)).fileno())

        yield new


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
