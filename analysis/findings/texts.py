"""Words and general limits of findings, from `findings.toml`."""

import tomllib
from functools import cache
from importlib.resources import files

from pydantic import Field, ValidationError

from analysis.errors import DataFileError
from analysis.records import Record


class Kind(Record):
    """Words of one kind of finding. `more` and `less` name the directions of its value."""

    message: str
    cue: str
    more: str = ""
    less: str = ""


class Relative(Record):
    """What is compared with the set's own usual."""

    rushed_share: float = Field(gt=0, lt=1)
    rushed_source: str


class SidesLimit(Record):
    """From which difference the sides are uneven [deg]."""

    limit_deg: float = Field(gt=0)
    source: str


class Unseen(Record):
    """What is said where the clip cannot tell. ways: what the pelvis may have done, by finding.

    cues: what to do so that the next clip tells, by the fields above; empty where the message says it.
    """

    nothing: str
    body: str
    repetition: str
    pelvis: str
    pelvis_alike: str
    spot: str
    unfinished: str
    cues: dict[str, str]
    ways: dict[str, str]


class Texts(Record):
    """The whole of `findings.toml`."""

    relative: Relative
    sides: SidesLimit
    kind: dict[str, Kind]
    unseen: Unseen


@cache
def load() -> Texts:
    """The words, read once. Raises DataFileError."""
    text = files("analysis.findings").joinpath("findings.toml").read_text(encoding="utf-8")
    try:
        return Texts.model_validate(tomllib.loads(text))
    except ValidationError as error:
        raise DataFileError(f"findings.toml: correct these entries: {error}") from error
