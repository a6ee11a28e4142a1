"""Frozen records passed between the steps of the walk, and the report itself.

Arrays are read-only; time (T,) is always the first axis. See `conventions.py` for units and signs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field

from analysis.conventions import SIDES

Floats = NDArray[np.float64]

View = Literal["side", "oblique", "overhead", "front", "unknown"]
PelvisSource = Literal["card", "fabric", "landmarks", "none"]
Verdict = Literal["sound", "borderline", "flagged", "not_measured"]
RepetitionSide = Literal["left", "right", "both"]


class _Arrays:
    """Makes every array field read-only: frozen alone does not."""

    def __post_init__(self) -> None:
        for f in fields(self):  # type: ignore[arg-type]
            value = getattr(self, f.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)


@dataclass(frozen=True)
class Clip:
    """A clip as its container and packets tell it, before any frame is decoded.

    `time_s` holds the true presentation time of every frame, starting at 0.
    `width` and `height` are of the upright picture (rotation applied) [px].
    `first_pts` is the container's own stamp of the first frame, in ticks of its clock;
    `key_times_s` are the times of the frames at which decoding can start; `picture_bytes` is what the
    pictures take of the file, 0 where that is not known.
    """

    path: Path
    time_s: tuple[float, ...]
    width: int
    height: int
    rotation_deg: int
    declared_duration_s: float | None
    first_pts: int = 0
    key_times_s: tuple[float, ...] = (0.0,)
    picture_bytes: int = 0

    @property
    def duration_s(self) -> float:
        """Time from the first frame to the end of the last [s]."""
        if len(self.time_s) < 2:
            return 0.0
        return self.time_s[-1] + (self.time_s[-1] / (len(self.time_s) - 1))


@dataclass(frozen=True, eq=False)
class Observations(_Arrays):
    """What the sampled frames show, before any interpretation; NaN where nothing was found.

    landmarks_px (T, 33, 2) in the upright picture, y down; landmarks_cm (T, 33, 3) the pose model's
    own hip-centred guess, camera axes (x right, y down, z away); visibility (T, 33) 0..1;
    people (T,) number of people seen; brightness (T,) 0..1; camera_shift (T,) movement of the
    background since the start, as a share of the picture's height; client_moved (T,) how far the parts of
    the client moved that moved most since the start, as a share of the client's longer side, now and then;
    card_rotation, mat_rotation (T, 3, 3) pelvis card and mat card: card axes to camera axes;
    card_covariance (T, 3, 3) of small turns of the pelvis card about the camera's axes [deg^2];
    fabric_start_px (N, 2), fabric_px (T, N, 2) spots of the cloth over the pelvis at the still start and
    in each frame, NaN where the cloth is not followed.
    """

    time_s: Floats
    width: int
    height: int
    landmarks_px: Floats
    landmarks_cm: Floats
    visibility: Floats
    people: Floats
    brightness: Floats
    camera_shift: Floats
    client_moved: Floats
    card_rotation: Floats
    card_covariance: Floats
    mat_rotation: Floats
    fabric_start_px: Floats
    fabric_px: Floats

    def with_poses(self, change: Callable[[Floats], Floats]) -> Observations:
        """The same after the same change to all that is told of the body, each (T, 33, ...)."""
        px, cm, visibility = map(change, (self.landmarks_px, self.landmarks_cm, self.visibility))
        return replace(self, landmarks_px=px, landmarks_cm=cm, visibility=visibility)


# Rows of the landmarks by name.
LANDMARKS = {"nose": 0} | {
    f"{name}_{side}": first + k
    for name, first in (("shoulder", 11), ("hip", 23), ("knee", 25), ("ankle", 27), ("toe", 31))
    for k, side in enumerate(SIDES)
}

JOINTS = (
    "pelvis", "neck", "head",
    "hip_left", "knee_left", "ankle_left", "toe_left", "shoulder_left", "elbow_left", "wrist_left",
    "hip_right", "knee_right", "ankle_right", "toe_right", "shoulder_right", "elbow_right", "wrist_right",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Skeleton(_Arrays):
    """One consistent body in the mat frame (X anterior, Y cranial, Z right, at the still start).

    directions: unit vectors (T, 3) by segment: pelvis_up, pelvis_right, trunk, thigh_left, shank_left, ...
    joints_cm (T, 17, 3) in the order of JOINTS, pelvis at the origin;
    half_width_deg: 95 % half-width of a segment's direction, by segment, (T,).
    """

    time_s: Floats
    directions: dict[str, Floats]
    joints_cm: Floats
    half_width_deg: dict[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Motion(_Arrays):
    """Every signal that the clip can answer, on one time base.

    values: signal name -> (T,) degrees; uncertainty_deg: signal name -> 95 % half-width of a value;
    change_uncertainty_deg: the same for a difference within one clip, in which constant errors cancel;
    overstated_deg, understated_deg: by how much a change from rest up to a moment (T,) may be so, 95 %
    one-sided, where the source tells it; bridged: pelvic signals without gaps, as hips are told from them.
    """

    time_s: Floats
    values: dict[str, Floats]
    uncertainty_deg: dict[str, float]
    change_uncertainty_deg: dict[str, float]
    pelvis_source: PelvisSource
    overstated_deg: dict[str, Floats] = field(default_factory=dict)
    understated_deg: dict[str, Floats] = field(default_factory=dict)
    bridged: dict[str, Floats] = field(default_factory=dict)


# ---------------------------------------------------------------------------------- the report


def _nan_to_none(value: object) -> object:
    return None if isinstance(value, float) and not np.isfinite(value) else value


Number = Annotated[float | None, BeforeValidator(_nan_to_none)]


class Record(BaseModel):
    """Base of report parts: frozen, strict about names."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class ClipSummary(Record):
    """Size of the clip and how much of it was measured."""

    duration_s: float
    frames: int
    frames_measured: int
    width: int
    height: int


class CaptureProblem(Record):
    """Something that limits what the clip can answer, with advice a client can follow."""

    kind: str
    message: str
    advice: str


class Capture(Record):
    """Whether the clip can answer, and from which view it was filmed."""

    view: View
    usable: bool
    problems: tuple[CaptureProblem, ...] = ()


class Finding(Record):
    """One measure beyond its limit, with its uncertainty, time, advice and source."""

    kind: str
    value: Number
    limit: Number
    unit: str
    uncertainty: Number
    at_s: Number
    message: str
    cue: str
    source: str


class Measures(Record):
    """The numbers of one repetition; null where the clip cannot tell."""

    range_deg: Number = None
    out_s: Number = None
    back_s: Number = None
    hold_s: Number = None
    pelvis_deg: Number = None
    pelvis_own_pct: Number = Field(
        default=None, description="Largest pelvic tilt as a share of the client's own tuck-arch range"
    )
    smoothness: Number = Field(default=None, description="SPARC of the speed profile; nearer 0 is smoother")


class Repetition(Record):
    """One repetition: when, which side, how much, what was found."""

    index: int
    side: RepetitionSide
    start_s: float
    turn_s: float
    end_s: float
    complete: bool = True
    direction: str | None = None
    measures: Measures
    findings: tuple[Finding, ...] = ()
    verdict: Verdict
    near: tuple[str, ...] = Field(
        default=(), description="Of a borderline repetition: the kinds of finding that cannot be ruled out"
    )


class SideComparison(Record):
    """Left against right for one measure: degrees first, percent only where it means something."""

    left: Number
    right: Number
    difference: Number
    uncertainty: Number = None
    symmetry_index_pct: Number = None
    beyond_error: bool


class Caution(Record):
    """A caution shown with every report, with its source."""

    kind: str
    text: str
    source: str


class SessionNotes(Record):
    """What the picture cannot tell: when the clip was filmed, for whom, and how the client felt.

    `client` is a pseudonym, never a name. Pain is 0-10. `warning_signs` holds the kinds answered with yes.
    """

    recorded_at: AwareDatetime | None = None
    client: str | None = None
    pain_before: int | None = Field(default=None, ge=0, le=10)
    pain_after: int | None = Field(default=None, ge=0, le=10)
    warning_signs: tuple[str, ...] = ()
    tuck_arch_deg: float | None = Field(
        default=None, gt=0, description="The client's own range from tuck to arch, filmed in the same session"
    )


class Report(Record):
    """The whole result of one clip; the JSON file and the API are this record."""

    model_config = ConfigDict(frozen=True, extra="forbid", title="Matline report")

    schema_version: Literal[1] = Field(default=1, alias="schema")
    exercise: str
    clip: ClipSummary
    capture: Capture
    series: dict[str, tuple[Number, ...]]
    uncertainty_deg: dict[str, float]
    change_uncertainty_deg: dict[str, float] = {}
    pelvis_source: PelvisSource
    repetitions: tuple[Repetition, ...]
    sides: dict[str, SideComparison] = {}
    findings: tuple[Finding, ...] = ()
    cautions: tuple[Caution, ...]
    session: SessionNotes = SessionNotes()

    def judged(self, side: RepetitionSide | None = None) -> tuple[Repetition, ...]:
        """Complete repetitions that could be judged, of one side or of all."""
        return tuple(
            r
            for r in self.repetitions
            if r.complete and r.verdict != "not_measured" and side in (None, r.side)
        )
