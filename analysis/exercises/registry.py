"""Finds and reads the exercise files."""

import tomllib
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from pydantic import ValidationError

from analysis.errors import DataFileError, UnknownExerciseError
from analysis.exercises.schema import Exercise


def names() -> tuple[str, ...]:
    """Names of all exercises, in alphabetical order."""
    return tuple(
        sorted(f.name.removesuffix(".toml") for f in _folder().iterdir() if f.name.endswith(".toml"))
    )


@cache
def load(name: str) -> Exercise:
    """The exercise of that name; raises UnknownExerciseError, which suggests the nearest."""
    known = names()
    if name not in known:
        plain = name.strip().lower().replace("-", "_").replace(" ", "_")
        near = get_close_matches(plain, known, n=1, cutoff=0.0)
        hint = f"Did you mean {near[0]!r}? " if near else ""
        raise UnknownExerciseError(
            f"There is no exercise {name!r}. {hint}`matline exercises` lists all: {', '.join(known)}."
        )
    return load_file(_folder() / f"{name}.toml")


def load_file(path: Path | Traversable) -> Exercise:
    """The exercise in a file; raises DataFileError naming the file and every entry that is wrong."""
    try:
        exercise = Exercise.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DataFileError(f"{path.name}: cannot be read as TOML: {error}") from error
    except ValidationError as error:
        wrong = "; ".join(f"{'.'.join(map(str, e['loc'])) or 'file'}: {e['msg']}" for e in error.errors())
        raise DataFileError(f"{path.name}: correct these entries: {wrong}") from error
    if exercise.name != path.name.removesuffix(".toml"):
        raise DataFileError(f"{path.name}: the name in the file is {exercise.name!r}; make the two the same")
    return exercise


def _folder() -> Traversable:
    return files("analysis.exercises")
