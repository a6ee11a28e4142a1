"""Records of a client's sessions: pain, warning signs, and what follows from them."""

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import BaseModel, Field

from analysis.cautions import PainQuestion
from analysis.records import Caution
from service.records.base import In, Note, Out, Pain, Reason
from service.records.programme import ProgrammeItemOut


class QuestionOut(BaseModel):
    """A warning-sign question; a yes ends the session before it begins."""

    kind: str
    question: str


class BeforeOut(BaseModel):
    """What is asked before a session, with the cautions, which come first."""

    cautions: tuple[Caution, ...]
    pain: PainQuestion
    questions: list[QuestionOut]


class StartIn(In):
    """Starting a session: pain now, and an answer to every warning-sign question."""

    day: date | None = None
    pain_before: Pain
    answers: Annotated[dict[str, bool], Field(max_length=100)]


class PainLimitIn(In):
    """From which pain on a client's session does not start, and they are told whom to call."""

    pain: int = Field(ge=1, le=10)


class EndIn(In):
    """Ending a session: pain now."""

    pain_after: Pain


class ClearIn(In):
    """A coach or physio has seen to a warning sign: what was done."""

    note: Reason


class CareOut(BaseModel):
    """A warning sign is open: whom to call. There is no exercise advice with it."""

    text: str
    contacts: list[str]
    practice_contact: str


class SessionOut(Out):
    """A session. `care` is there while its warning sign is open."""

    id: str
    client_id: str
    day: date
    started_at: datetime
    ended_at: datetime | None
    pain_before: int | None
    pain_after: int | None
    stopped_at: datetime | None
    cleared_at: datetime | None
    cleared_note: Note
    care: CareOut | None = None
    caution: str | None = Field(default=None, description="pain rose: what to do")
    strong: str | None = Field(default=None, description="pain is strong: what to do before any exercise")


class TodayOut(BaseModel):
    """The client's day: cautions first, then either whom to call or what to do."""

    day: date
    cautions: tuple[Caution, ...]
    care: CareOut | None
    session: SessionOut | None
    items: list[ProgrammeItemOut]
    done: dict[str, int] = Field(description="programme item -> clips of it that were sent on this day")


PainChange = Literal["rose", "fell", "same", "unknown"]
