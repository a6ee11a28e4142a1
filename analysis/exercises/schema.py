"""What an exercise file says. Signals are named as in `conventions.py`; `{side}` stands for left or right."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from analysis.conventions import MIRRORED_SIGNALS, PELVIC_SIGNALS, SIDES, SIGNALS
from analysis.records import LANDMARKS, Record, RepetitionSide, View

Lies = Literal["supine", "side_lying", "kneeling"]
Sides = Literal["alternating", "one", "both"]
Shape = Literal["return", "hold", "roll", "cycle", "circle"]
Positive = Annotated[float, Field(gt=0)]

PELVIS_FINDINGS = dict(zip(("pelvis_tilted", "pelvis_hiked", "pelvis_rotated"), PELVIC_SIGNALS, strict=True))
FINDINGS_OF_A_REPETITION = (
    *PELVIS_FINDINGS, "range_short", "range_beyond", "rushed", "off_target", "jerky", "shape_lost",
)  # fmt: skip
UNITS = {"rushed": "s", "off_target": "cm", "range_short": "share",
         "range_beyond": "share", "jerky": "1"}  # fmt: skip


def _check_signals(patterns: object) -> None:
    unknown = {p for p in map(str, patterns) for s in SIDES if p.format(side=s) not in SIGNALS}  # type: ignore[call-overload]
    if unknown:
        raise ValueError(f"unknown signals {sorted(unknown)}; the names are in analysis/conventions.py")


def _check_marks(marks: tuple[str, ...]) -> None:
    if unknown := {m for m in marks for s in SIDES if m.format(side=s) not in LANDMARKS}:
        raise ValueError(f"unknown marks {sorted(unknown)}; the names are in analysis/records.py")


class Movement(Record):
    """What moves, so that repetitions can be told from everything else.

    shape: `return` goes out and comes back; `hold` stays out for a while; `roll` goes to one side or
    the other of the middle; `cycle` goes out, to the opposite end and back to the middle; `circle` goes
    round. driver: weight of each signal; their sum is + when the movement is out (for `roll`: to the
    left; for `circle`: the top of the circle). across: of a `circle`, the signal a quarter turn away.
    path: signals that change as soon as the movement begins. follow: whether the driver alone is cut into
    repetitions, or the distance of the whole path from rest, for movements that begin off the driver.
    least_deg: smallest excursion of the driver that counts.
    onset: how far the beginning lies before the middle half of the rise (a quarter to three quarters of
    the height), in lengths of that half: 1.27 for a minimum-jerk course, 1.0 for a half-cosine, more
    where small movements near rest are hardly seen (set by what rendered clips showed).
    marks: points of the body that show in the picture when it moves. far_onset: as onset, for the far end of
    a driver that moves late, so that it tells of that what the marks do not. longest_pause_s: for a movement
    that turns at once, such as a tap; what looks like a longer pause is the slow end of the way, of which a
    hidden leg shows little.
    """

    shape: Shape
    driver: dict[str, float] = Field(min_length=1)
    across: dict[str, float] = Field(default_factory=dict)
    path: tuple[str, ...] = Field(min_length=1)
    follow: Literal["driver", "path"] = "driver"
    least_deg: Positive
    onset: Positive = 1.15
    marks: tuple[str, ...] = ()
    far_onset: Positive | None = None
    longest_pause_s: Positive | None = None

    @model_validator(mode="after")
    def _known(self) -> Self:
        _check_signals([*self.driver, *self.across, *self.path])
        _check_marks(self.marks)
        if (self.shape == "circle") != bool(self.across):
            raise ValueError("`across` belongs to a circle, and only to a circle")
        return self


class Range(Record):
    """How far the movement goes, in words, and a usual target if there is one.

    signals: weight of each signal, + towards the far end of the left side; the driver's where empty. A
    pelvic signal takes the pelvis's own turn out of a hip's angle: left is the thigh's way against the mat,
    the same whether hip or pelvis moves it. since: counted from rest, or from where the signals were least
    within the repetition (a leg that lifts before it lowers).
    marks: points of the body whose way in the picture compares the repetitions of a set better than angles.
    beyond_seen: share of what a repetition goes beyond the usual that is seen of it.
    sides_read_alike: whether the same range to either side is read as the same, to about 10 percent.
    """

    label: str
    signals: dict[str, float] = Field(default_factory=dict)
    since: Literal["rest", "least"] = "rest"
    usual_deg: Positive | None = None
    source: str
    marks: tuple[str, ...] = ()
    beyond_seen: float = Field(default=1.0, gt=0, le=1)
    sides_read_alike: bool = True

    @model_validator(mode="after")
    def _known(self) -> Self:
        _check_marks(self.marks)
        return self


class Tempo(Record):
    """How long one phase (out, or back) usually takes [s]."""

    usual_phase_s: Positive
    source: str


class Hold(Record):
    """How long the end position is usually held [s]."""

    usual_s: Positive
    source: str


class Limit(Record):
    """A tolerance with its unit and source. `signal` and `target` are for `shape_lost` only."""

    value: Positive
    unit: Literal["deg", "s", "cm", "share", "1"] = "deg"
    source: str = Field(min_length=1)


class Kept(Record):
    """Part of the shape that must be kept at the far end: a signal, its target and what it is in words."""

    signal: str
    target_deg: float
    words: str

    @model_validator(mode="after")
    def _known(self) -> Self:
        _check_signals([self.signal])
        return self


class Form(Record):
    """An easier or harder form; `exercise` is its name where it is one of ours."""

    text: str
    exercise: str | None = None


class Exercise(Record):
    """One exercise, from how to place the phone to what is judged and against which limits.

    cloth_hides: pelvic signals of which the cloth, seen from `views`, showed less than half in many rendered
    people. Motion that is read there is real; that none is read does not mean that there was none. It counts
    where the cloth is followed, and in how sure a pelvis is stated between clips.
    cloth_misses: those of them of which a far end laid over the still start showed next to nothing either:
    what all repetitions have in common stays unknown, and none is sound by cloth alone.
    """

    name: str = Field(pattern=r"^[a-z][a-z_]*$")
    title: str
    lies: Lies
    views: tuple[View, ...] = Field(min_length=1)
    phone: str
    start_position: str
    moves: str
    still: str
    measured: tuple[str, ...] = Field(min_length=1)
    sides: Sides
    movement: Movement
    range: Range
    tempo: Tempo
    hold: Hold | None = None
    limits: dict[str, Limit] = Field(default_factory=dict)
    kept: Kept | None = None
    cloth_hides: tuple[str, ...] = ()
    cloth_misses: tuple[str, ...] = ()
    easier: tuple[Form, ...] = ()
    harder: tuple[Form, ...] = ()
    cues: tuple[str, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if unknown := set(self.cloth_hides) - set(PELVIC_SIGNALS):
            raise ValueError(f"`cloth_hides` names no pelvic signal: {sorted(unknown)}")
        if unknown := set(self.cloth_misses) - set(self.cloth_hides):
            raise ValueError(f"`cloth_misses` names what `cloth_hides` does not: {sorted(unknown)}")
        for kind, limit in self.limits.items():
            if kind not in FINDINGS_OF_A_REPETITION:
                raise ValueError(f"unknown finding {kind!r} in limits")
            if limit.unit != UNITS.get(kind, "deg"):
                raise ValueError(f"the limit of {kind} is in {UNITS.get(kind, 'deg')}, not {limit.unit}")
        if (self.movement.shape == "hold") != (self.hold is not None):
            raise ValueError("a [hold] belongs to a movement of shape `hold`, and only to that")
        if ("shape_lost" in self.limits) != (self.kept is not None):
            raise ValueError("`shape_lost` needs [kept], and [kept] needs its limit")
        return self

    @property
    def moves_pelvis(self) -> bool:
        """Whether the pelvis itself is what moves: then it is followed in every picture, by the cloth."""
        return any(name in PELVIC_SIGNALS for name in self.movement.driver)

    def range_weights(self, side: RepetitionSide) -> dict[str, float]:
        """Weight by signal of what makes up the range of a side, + towards the far end.

        The right is the mirror of the left, in which obliquity and rotation of the pelvis, and a roll as a
        whole, go the other way.
        """
        own = self.range.signals or self.movement.driver
        turned = list(own) if self.movement.shape == "roll" else [n for n in own if n in MIRRORED_SIGNALS]
        signs = dict.fromkeys(turned, -1.0 if side == "right" else 1.0)
        return {name.format(side=side): signs.get(name, 1.0) * weight for name, weight in own.items()}


class Prescription(Record):
    """What a coach set for one client, over the exercise's own values; None keeps those.

    `tempo_s` is of one way, out or back.
    """

    range_deg: Positive | None = None
    hold_s: Positive | None = None
    tempo_s: Positive | None = None
    shortest_phase_s: Positive | None = None
    pelvis_deg: Positive | None = None
