"""Cautions shown with every report, warning signs asked before a session, and the pain question.

All words and their sources are data, in `cautions.toml`. A warning sign is asked about and referred;
it is never scored, and a "no" never reassures.
"""

import tomllib
from collections.abc import Collection
from functools import cache
from importlib.resources import files
from typing import Literal, get_args

from pydantic import Field, ValidationError

from analysis.errors import DataFileError
from analysis.records import Caution, Record

Urgency = Literal["emergency", "today", "before_exercise"]


class WarningSign(Record):
    """A question whose "yes" ends the session and refers the person: to whom, and how soon."""

    kind: str
    question: str
    urgency: Urgency
    contact: str
    source: str


class PainQuestion(Record):
    """Pain on a 0-10 scale, asked before and after; and what counts as a change.

    `change_points` is in points of the scale, `change_share` a share of the value before. From `strong_from`
    on, `strong` is told before any exercise; where pain is to end the session, it counts as the `sign`.
    """

    before: str
    after: str
    lowest: int
    highest: int
    change_points: float
    change_share: float
    strong_from: int
    strong: str
    sign: WarningSign
    source: str


class Notice(Record):
    """A sentence shown in place of something, with its source."""

    text: str
    source: str


class Cautions(Record):
    """The whole of `cautions.toml`."""

    caution: tuple[Caution, ...] = Field(min_length=1)
    warning_sign: tuple[WarningSign, ...] = Field(min_length=1)
    unknown_sign: WarningSign
    pain: PainQuestion
    advice_withheld: Notice
    seen_to: Notice


@cache
def load() -> Cautions:
    """Read the cautions; raises DataFileError where the file breaks its schema."""
    return parse(files("analysis").joinpath("cautions.toml").read_text("utf-8"))


def parse(text: str) -> Cautions:
    """Cautions from TOML text; raises DataFileError naming the entry at fault."""
    try:
        return Cautions.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise DataFileError(f"The cautions file cannot be read as TOML: {error}") from error
    except ValidationError as error:
        wrong = "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors())
        raise DataFileError(f"The cautions file: correct these entries: {wrong}") from error


def signs_of_pain(before: int | None) -> tuple[str, ...]:
    """What pain before exercise (0-10) counts as, by `kind`; empty where it is not strong, or not told."""
    pain = load().pain
    return (pain.sign.kind,) if before is not None and before >= pain.strong_from else ()


def referrals(answered_yes: Collection[str]) -> tuple[WarningSign, ...]:
    """The warning signs answered with yes (by `kind`), most urgent first; empty where none was.

    A kind that there is not, misspelt or of a newer version, is referred as `unknown_sign`, never lost.
    """
    known = {sign.kind: sign for sign in (*load().warning_sign, load().pain.sign)}
    signs = dict.fromkeys(known.get(kind, load().unknown_sign) for kind in answered_yes)
    urgencies = get_args(Urgency)
    return tuple(sorted(signs, key=lambda sign: urgencies.index(sign.urgency)))
