"""Processes that share the pictures of a clip between them; each loads the pose models once.

A crashed worker is a MatlineError; when the caller stops, for Ctrl-C or any error, the workers end
after the picture they are at; when the caller dies, so do they.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_EXCEPTION, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol, TypeVar

import cv2

from analysis.errors import MatlineError
from analysis.landmarks import Follower, PeopleFinder

Job = TypeVar("Job")
Found = TypeVar("Found")
Tick = Callable[[], None]

_POLL_S = 0.1
_HAS_MASK = hasattr(signal, "pthread_sigmask")  # not on Windows


class Models:
    """The pose models of one process, each loaded when first asked for."""

    def __init__(self, stack: ExitStack, *, fast: bool) -> None:
        self._stack, self._fast = stack, fast

    @cached_property
    def follower(self) -> Follower:
        """Follows the client."""
        return self._stack.enter_context(Follower(fast=self._fast))

    @cached_property
    def finder(self) -> PeopleFinder:
        """Finds everyone."""
        return self._stack.enter_context(PeopleFinder())


Task = Callable[[Models, Job, Tick], Found]


class Crew(Protocol):
    """Does a task for each of the jobs and returns what was found, in the order of the jobs."""

    def each(self, task: Task[Job, Found], jobs: Sequence[Job]) -> list[Found]:
        """task(models, job, tick) calls `tick` once a picture."""
        ...


@contextmanager
def crew(workers: int, *, fast: bool, counted: Callable[[int], None]) -> Iterator[Crew]:
    """Workers for one clip; `counted` is called now and then with the number of pictures done."""
    if workers > 1:
        with _pool(workers, fast) as pool:
            pool.counted = counted
            yield pool
    else:
        with ExitStack() as stack:
            yield _Alone(Models(stack, fast=fast), counted)


class _Alone:
    """The caller's own process."""

    def __init__(self, models: Models, counted: Callable[[int], None]) -> None:
        self._models, self._counted, self._done = models, counted, 0

    def each(self, task: Task[Job, Found], jobs: Sequence[Job]) -> list[Found]:
        return [task(self._models, job, self._tick) for job in jobs]

    def _tick(self) -> None:
        self._done += 1
        self._counted(self._done)


# ------------------------------------------------------------------------------- other processes


class _Pool:
    def __init__(self, executor: ProcessPoolExecutor, done: Any) -> None:
        self._executor, self._done = executor, done
        self.counted: Callable[[int], None] = lambda done: None

    def each(self, task: Task[Job, Found], jobs: Sequence[Job]) -> list[Found]:
        try:
            with _apart():
                futures = [self._executor.submit(_work, task, job) for job in jobs]
            self._watch(futures)
            return [future.result() for future in futures]
        except BrokenProcessPool as error:
            raise MatlineError(
                "A measuring process ended unexpectedly; memory may have run out. "
                "Close other programs and try again, or use fewer workers."
            ) from error

    def _watch(self, futures: list[Future[Any]]) -> None:
        waiting = set(futures)
        while waiting:
            done, waiting = wait(waiting, _POLL_S, FIRST_EXCEPTION)
            self.counted(self._done.value)
            if any(future.exception() for future in done):
                return


@contextmanager
def _pool(workers: int, fast: bool) -> Iterator[_Pool]:
    context = multiprocessing.get_context("spawn")
    done, stopped = context.Value("q", 0), context.Event()
    executor = ProcessPoolExecutor(workers, context, _begin, (fast, done, stopped))
    try:
        yield _Pool(executor, done)
    finally:
        stopped.set()
        executor.shutdown(cancel_futures=True)


@contextmanager
def _apart() -> Iterator[None]:
    """Start new processes apart from the caller: deaf to Ctrl-C, and without running its script again."""
    main = vars(sys.modules["__main__"])
    kept: dict[str, Any] = {name: main[name] for name in ("__file__", "__spec__") if name in main}
    main.pop("__file__", None)
    main["__spec__"] = None
    heard = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if _HAS_MASK else None
    try:
        yield
    finally:
        if heard is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, heard)
        main.update(kept)


class _Stopped(Exception):  # noqa: N818 - not an error: nobody waits for the result
    """The caller has stopped."""


@dataclass(frozen=True)
class _Worker:
    """State of a new process: its models, the shared count of pictures, whether the caller has stopped."""

    models: Models
    done: Any
    stopped: Any

    def tick(self) -> None:
        if self.stopped.is_set():
            raise _Stopped
        with self.done.get_lock():
            self.done.value += 1


_worker: _Worker


def _work(task: Task[Job, Found], job: Job) -> Found:
    return task(_worker.models, job, _worker.tick)


def _begin(fast: bool, done: Any, stopped: Any) -> None:
    """Prepare a new process: deaf to Ctrl-C where it could not start so, and gone when the caller is."""
    global _worker
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    cv2.setNumThreads(1)  # every core has its own process
    _worker = _Worker(Models(ExitStack(), fast=fast), done, stopped)


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        multiprocessing.connection.wait([parent.sentinel])
        os._exit(1)
