"""Runs a function in a process of its own, with limits on time and memory, and without network.

`run` starts `python -m service.child`, reads what it tells and watches it. Everything the child
starts is in one process group, which is ended as a whole: at a limit, on cancelling, or when this
process itself dies (the child then sees the end of its input).
"""

import json
import os
import selectors
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from service.errors import Refused
from service.scratch import OPEN_FILES

_LOOK_EVERY_S = 0.25
_PAGE = os.sysconf("SC_PAGE_SIZE")


class ChildStopped(Exception):  # noqa: N818
    """The caller wanted it to end."""


class ChildCrashed(Exception):  # noqa: N818
    """The process ended without an answer; `detail` is for the log, not for people."""

    def __init__(self, detail: str) -> None:
        self.detail = detail
        super().__init__(detail)


@dataclass(frozen=True)
class Limits:
    """Most memory of the whole group [bytes], most time [s]; `hard` also bounds its address space."""

    memory_bytes: int
    seconds: float
    hard: bool = False


def run(
    target: str,
    arguments: dict[str, Any],
    limits: Limits,
    *,
    on_progress: Callable[[str, float], None] = lambda stage, share: None,
    should_stop: Callable[[], bool] = lambda: False,
) -> dict[str, Any]:
    """Call `module:function` with `tell` and the arguments in a child; returns its dict.

    A Path among the arguments reaches it as text; one of an open file of ours (`scratch.sheets`) as the
    path of the same file among the child's, which its own children open, too.
    Raises Refused with the function's own message where it raised a MatlineError or went over a
    limit, ChildStopped where `should_stop` became true, ChildCrashed where it died.
    """
    space = limits.memory_bytes if limits.hard else 0
    order = {"target": target, "arguments": arguments, "address_space": space}
    with _started(order) as child:
        try:
            return _attend(child, limits, on_progress, should_stop)
        finally:
            _end_group(child.pid)


def _started(order: dict[str, Any]) -> subprocess.Popen[bytes]:
    child = subprocess.Popen(
        [sys.executable, "-m", "service.child"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
        pass_fds=[int(path.name) for path in _paths(order) if path.parent == OPEN_FILES],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    assert child.stdin is not None
    # The pipe stays open: its end tells the child that we are gone.
    theirs = OPEN_FILES.parents[1] / str(child.pid) / OPEN_FILES.name

    def as_text(path: Path) -> str:
        return str(theirs / path.name if path.parent == OPEN_FILES else path)

    child.stdin.write(json.dumps(order, default=as_text).encode() + b"\n")
    child.stdin.flush()
    return child


def _paths(value: object) -> Iterator[Path]:
    if isinstance(value, Path):
        yield value
    elif isinstance(value, dict | list):
        for inner in value.values() if isinstance(value, dict) else value:
            yield from _paths(inner)


def _attend(
    child: subprocess.Popen[bytes],
    limits: Limits,
    on_progress: Callable[[str, float], None],
    should_stop: Callable[[], bool],
) -> dict[str, Any]:
    assert child.stdout is not None
    deadline = time.monotonic() + limits.seconds
    lines = _Lines(child.stdout)
    while True:
        for message in lines.read(_LOOK_EVERY_S):
            if "result" in message:
                return dict(message["result"])
            if "refused" in message:
                raise Refused(message["refused"])
            if "crash" in message:
                raise ChildCrashed(message["crash"])
            on_progress(message["stage"], message["progress"])
        if lines.ended:
            raise ChildCrashed(f"ended with status {child.wait()}")
        if should_stop():
            raise ChildStopped
        _check(child.pid, limits, deadline)


def _check(pid: int, limits: Limits, deadline: float) -> None:
    if time.monotonic() > deadline:
        raise Refused(f"It took longer than {limits.seconds:.0f} s and was ended. Send a shorter clip.")
    if group_memory(pid) > limits.memory_bytes:
        most = limits.memory_bytes // 1024**2
        raise Refused(f"It needed more than {most} MiB of memory and was ended. Send a smaller clip.")


class _Lines:
    """JSON lines as they come, without waiting longer than asked."""

    def __init__(self, pipe: IO[bytes]) -> None:
        self._fd, self._rest, self.ended = pipe.fileno(), b"", False
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._fd, selectors.EVENT_READ)

    def read(self, wait_s: float) -> list[dict[str, Any]]:
        """Whole lines that are there, waiting for the first up to `wait_s`."""
        if not self._selector.select(wait_s):
            return []
        piece = os.read(self._fd, 65536)
        self.ended = not piece
        *whole, self._rest = (self._rest + piece).split(b"\n")
        return [json.loads(line) for line in whole]


def group_memory(pid: int) -> int:
    """Resident memory of a process group [bytes]; 0 where the system does not tell."""
    total = 0
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            fields = (folder / "stat").read_text().rpartition(")")[2].split()
        except OSError:  # it ended meanwhile
            continue
        if int(fields[2]) == pid:
            total += int(fields[21]) * _PAGE
    return total


def _end_group(pid: int) -> None:
    try:
        os.killpg(pid, signal.SIGKILL)
    except ProcessLookupError:
        return
