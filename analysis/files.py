"""Output files that are whole or absent, and a look beforehand at whether they can be written."""

import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from analysis.errors import ReportError


@contextmanager
def whole(path: Path | str) -> Iterator[Path]:
    """Yield a temporary path beside `path`; it takes the name at the end, or goes away on any error.

    A reader never meets half a file, and a file that was there stays until the new one is complete.
    Raises ReportError where the place cannot be written.
    """
    path = Path(path)
    part = path.with_name(f".{path.stem}.{os.getpid()}.part{path.suffix}")
    try:
        yield part
        part.replace(path)
    except OSError as error:
        raise ReportError(f"{path} cannot be written ({error.strerror}). Choose another place.") from error
    finally:
        part.unlink(missing_ok=True)


def check_writable(path: Path | str) -> None:
    """Raise ReportError, saying what to do, where a file of that name could not be written."""
    path = Path(path)
    try:
        _check_place(path)
    except OSError as error:
        raise ReportError(f"{path} cannot be reached ({error.strerror}). Choose another place.") from error


def check_outputs(paths: Sequence[Path], source: Path) -> None:
    """Raise ReportError unless each can be written, is named once, and is not what is read."""
    for path in paths:
        check_writable(path)
        if path.resolve() == source.resolve():
            raise ReportError(f"{path} is what is read, and would be lost. Name another file.")
    if len({path.resolve() for path in paths}) < len(paths):
        raise ReportError("Two results would go into one file. Name a file for each.")


def _check_place(path: Path) -> None:
    if path.is_dir():
        raise ReportError(f"{path} is a folder. Name a file in it, such as {path / 'report.json'}.")
    folder = path.absolute().parent
    if not folder.is_dir():
        raise ReportError(
            f"There is no folder {folder}. Make it first, or name another place for {path.name}."
        )
    if path.exists() and not os.access(path, os.W_OK):
        raise ReportError(f"{path} may not be written over. Choose another name.")
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise ReportError(
            f"Nothing can be written in {folder} ({error.strerror}). Choose another place."
        ) from error
