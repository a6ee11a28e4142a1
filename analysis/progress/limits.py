"""Limits and words of progress; data with their sources, in `progress.toml`."""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Literal

from pydantic import Field, ValidationError

from analysis.errors import DataFileError
from analysis.records import Record
from analysis.report.words import words


class MeasureWords(Record):
    """How a rise and a fall of one measure are told, and whether standing still is worth a remark."""

    rise: str
    fall: str
    plateau: bool = False


class Plateau(Record):
    """Fewest sessions and days [d] of standing still before it is pointed out; largest drift as a share."""

    sessions: int = Field(ge=4)
    days: int = Field(ge=1)
    drift: float = Field(gt=0)
    source: str


class Missed(Record):
    """A pause is pointed out when longer than so many days, and so many times the client's usual pause."""

    days: int = Field(ge=1)
    times: float = Field(ge=1)
    source: str


class HandError(Record):
    """Change [deg] that a clinician's own repeat measurement of a joint can show by itself."""

    joint: Literal["hip", "knee"]
    deg: float
    source: str


class Limits(Record):
    """The whole of `progress.toml`."""

    measure: dict[str, MeasureWords]
    plateau: Plateau
    missed: Missed
    by_hand: tuple[HandError, ...]


@cache
def load() -> Limits:
    """Read the limits; raises DataFileError where the file breaks its schema."""
    text = files("analysis.progress").joinpath("progress.toml").read_text("utf-8")
    try:
        return Limits.model_validate(tomllib.loads(text))
    except (tomllib.TOMLDecodeError, ValidationError) as error:
        raise DataFileError(f"progress.toml is not usable, correct it: {error}") from error


def label(measure: str) -> str:
    """What people call a measure."""
    return "Sound repetitions" if measure == "sound_pct" else str(words()["measure"][measure])
