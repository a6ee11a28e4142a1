"""Records of a client's programme, targets and proposals."""

from datetime import datetime
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, computed_field, model_validator

from service import exercise_data
from service.records.base import Day, ExerciseName, FormText, In, Note, Out, Reason, Side, unrepeated


class ProgrammeItemIn(In):
    """One exercise to do: how often or how long, how fast, how far, on which ISO weekdays."""

    exercise: ExerciseName
    side: Side = "both"
    repetitions: int | None = Field(default=None, ge=1, le=200)
    hold_s: float | None = Field(default=None, gt=0, le=600)
    tempo_s: float | None = Field(default=None, gt=0, le=60, description="of one way, out or back")
    range_deg: float | None = Field(default=None, gt=0, le=180)
    days: Annotated[list[Day], Field(max_length=7), AfterValidator(unrepeated)]
    note: Note = ""
    form: FormText = Field(default="", description="how it is done, where not as usual")
    position: int = Field(default=0, ge=0, le=1000)


class ProgrammeItemOut(Out):
    """An exercise in the programme."""

    id: str
    exercise: str
    side: Side
    repetitions: int | None
    hold_s: float | None
    tempo_s: float | None
    range_deg: float | None
    days: list[int]
    note: str
    form: str
    position: int
    created_at: datetime
    ended_at: datetime | None

    @computed_field  # type: ignore[prop-decorator]
    @property
    def form_caution(self) -> str:
        """What to watch with this form; empty where there is none, or a coach worded it."""
        return exercise_data.form_caution(self.exercise, self.form)


class TargetIn(In):
    """A target or tolerance of an exercise, by its name in the exercise's own file."""

    exercise: ExerciseName
    name: ExerciseName
    value: float = Field(ge=-360, le=10000)


class TargetOut(Out):
    """A target that is the client's own."""

    id: str
    exercise: str
    name: str
    value: float
    created_at: datetime


class ProposalIn(In):
    """An easier or harder form for an item of the programme, and why.

    Either a form of its own exercise, by its text in the exercise's file (empty: the exercise as
    usual), or another exercise. Whoever proposes may confirm it in the same step.
    """

    direction: Literal["easier", "harder"]
    form: FormText | None = None
    exercise: ExerciseName | None = None
    reason: Reason
    confirmed: bool = False

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.form is None) == (self.exercise is None):
            raise ValueError("name either a form or another exercise")
        return self


class ProposalOut(Out):
    """A proposal and what became of it."""

    id: str
    item_id: str
    direction: Literal["easier", "harder"]
    exercise: str
    form: str
    reason: str
    state: Literal["proposed", "confirmed", "declined"]
    created_at: datetime
    decided_at: datetime | None


class DecideIn(In):
    """What becomes of a proposal."""

    state: Literal["confirmed", "declined"]
