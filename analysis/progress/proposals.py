"""An easier or harder form to consider: a proposal from data, which a coach confirms or leaves.

The forms and conditions are data, in `progressions.toml`. Nothing is proposed with a warning sign open,
and nothing from one session.
"""

import tomllib
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Literal, Self

from pydantic import Field, ValidationError, model_validator

from analysis import cautions, exercises
from analysis.errors import DataFileError
from analysis.progress.sessions import Session
from analysis.records import Record, Report

Direction = Literal["easier", "stay", "harder", "withheld"]


class Conditions(Record):
    """When a form is proposed. Pain is 0-10, shares are 0-1.

    Harder: every repetition sound in the last `sound_sessions` sessions, each with at least
    `repetitions`, pain after never above `pain_limit` and never risen. Easier: pain above it or risen in
    the last session, or at least `flagged_share` flagged in each of the last `flagged_sessions`.
    """

    sound_sessions: int = Field(ge=2)
    repetitions: int = Field(ge=1)
    pain_limit: int = Field(ge=0, le=10)
    flagged_share: float = Field(gt=0, le=1)
    flagged_sessions: int = Field(ge=2)
    source: str


class OfExercise(Record):
    """What to watch with the forms of one exercise, and the conditions that differ from the usual ones."""

    conditions: dict[str, float] = Field(default_factory=dict)
    easier_caution: str
    harder_caution: str


class Progressions(Record):
    """The whole of `progressions.toml`."""

    conditions: Conditions
    exercise: dict[str, OfExercise]

    @model_validator(mode="after")
    def _known(self) -> Self:
        if unknown := self.exercise.keys() - set(exercises.names()):
            raise ValueError(f"unknown exercises {sorted(unknown)}")
        for name in self.exercise:
            self.conditions_of(name)
        return self

    def conditions_of(self, exercise: str) -> Conditions:
        """The conditions for one exercise."""
        return Conditions.model_validate(self.conditions.model_dump() | self.exercise[exercise].conditions)


class Proposal(Record):
    """What a coach may consider next; it changes nothing until a coach confirms it.

    `exercise` is the name of the form's exercise where it is one of ours.
    """

    direction: Direction
    text: str
    exercise: str | None = None
    caution: str = ""
    reasons: tuple[str, ...] = ()
    needs: Literal["a coach's decision", "a clinician"] = "a coach's decision"


@cache
def load() -> Progressions:
    """Read the progressions; raises DataFileError where the file breaks its schema."""
    return parse(files("analysis.progress").joinpath("progressions.toml").read_text("utf-8"))


def parse(text: str) -> Progressions:
    """Progressions from TOML text; raises DataFileError naming the entry at fault."""
    try:
        return Progressions.model_validate(tomllib.loads(text))
    except (tomllib.TOMLDecodeError, ValidationError) as error:
        raise DataFileError(f"The progressions file is not usable, correct it: {error}") from error


def open_signs(sessions: Sequence[Session], cleared: datetime | None) -> tuple[cautions.WarningSign, ...]:
    """Warning signs reported and not cleared since, most urgent first; an undated one stays open."""
    kinds = {
        kind
        for s in sessions
        if cleared is None or s.at is None or s.at > cleared
        for kind in s.report.session.warning_signs
    }
    return cautions.referrals(kinds)


def propose(sessions: Sequence[Session], signs: Sequence[cautions.WarningSign]) -> Proposal | None:
    """Proposal for one exercise from its sessions in order; None from one session or an unknown exercise."""
    if signs:
        return Proposal(direction="withheld", text=cautions.load().advice_withheld.text, needs="a clinician")
    name = sessions[-1].report.exercise
    usable = [s for s in sessions if s.report.capture.usable]
    if name not in load().exercise or len(usable) < 2:
        return None
    rule = load().conditions_of(name)
    if reasons := _reasons_easier(usable, rule):
        return _form("easier", name, reasons)
    if missing := _missing_harder(usable[-rule.sound_sessions :], rule):
        return Proposal(direction="stay", text="Stay with this form for now.", reasons=(missing,))
    met = f"Every repetition of the last {rule.sound_sessions} sessions was sound, and pain stayed low."
    return _form("harder", name, (met,))


def _form(direction: Literal["easier", "harder"], name: str, reasons: tuple[str, ...]) -> Proposal:
    exercise, words = exercises.load(name), load().exercise[name]
    forms = exercise.easier if direction == "easier" else exercise.harder
    if not forms:
        text = f"There is no {direction} form on file; a coach may know one, or stay with this one."
        return Proposal(direction="stay", text=text, reasons=reasons)
    return Proposal(
        direction=direction,
        text=f"Consider the {direction} form: {forms[0].text}.",
        exercise=forms[0].exercise,
        caution=words.easier_caution if direction == "easier" else words.harder_caution,
        reasons=reasons,
    )


def _reasons_easier(sessions: Sequence[Session], rule: Conditions) -> tuple[str, ...]:
    notes, reasons = sessions[-1].report.session, []
    if notes.pain_after is not None and notes.pain_after > rule.pain_limit:
        reasons.append(f"Pain after the last session was {notes.pain_after} of 10, above {rule.pain_limit}.")
    if pain_rose(sessions[-1].report):
        reasons.append(f"Pain rose from {notes.pain_before} to {notes.pain_after} of 10 in the last session.")
    shares = [_share(s.report, "flagged") for s in sessions[-rule.flagged_sessions :]]
    if all(share is not None and share >= rule.flagged_share for share in shares):
        reasons.append(
            f"In each of the last {len(shares)} sessions at least {rule.flagged_share:.0%} was flagged."
        )
    return tuple(reasons)


def _missing_harder(recent: Sequence[Session], rule: Conditions) -> str | None:
    """The first condition of the harder form that is not met, in words; None where all are."""
    reports = [s.report for s in recent]
    if len(recent) < rule.sound_sessions:
        return f"The harder form waits for {rule.sound_sessions} sessions; there are {len(recent)}."
    if any(r.session.pain_after is None or r.session.pain_before is None for r in reports):
        return "Pain before and after is not known for each of the last sessions: cannot tell."
    if any((r.session.pain_after or 0) > rule.pain_limit or pain_rose(r) for r in reports):
        return f"Pain was above {rule.pain_limit} of 10, or rose, in one of the last sessions."
    if any(len(r.judged()) < rule.repetitions for r in reports):
        return f"Fewer than {rule.repetitions} repetitions could be judged in one of the last sessions."
    if any(_share(r, "sound") != 1 for r in reports):
        if any(_share(r, "flagged") for r in reports):
            return f"Not every repetition of the last {rule.sound_sessions} sessions was sound."
        return "The clips cannot tell of every repetition whether it was sound."
    return None


def pain_rose(report: Report) -> bool:
    """Whether pain rose during the session by as much as counts as a change; unknown is False."""
    before, after = report.session.pain_before, report.session.pain_after
    return before is not None and after is not None and after - before >= cautions.load().pain.change_points


def _share(report: Report, verdict: str) -> float | None:
    """Share of the judged repetitions with a verdict; None where none was judged."""
    whole = report.judged()
    return sum(r.verdict == verdict for r in whole) / len(whole) if whole else None
