"""Range of motion as a physio reads it: how far each joint went in the repetitions of a clip, how sure that
is, the other side, earlier sessions, and what others measured in whom.

A difference or a change is called real only beyond the 95 % half-widths of both values together.
"""

import tomllib
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from importlib.resources import files

import numpy as np
from pydantic import BaseModel, ConfigDict
from sqlalchemy import select
from sqlalchemy.orm import Session

from analysis.conventions import SIDES, SIGNALS
from analysis.records import Number, Report
from analysis.statistics import change_limit
from service.errors import NotFound
from service.store.models import Clip, StoredReport

Ends = Mapping[str, list[float]]  # signal -> lowest, highest, 95 % half-width [deg]


class Reference(BaseModel):
    """What others measured [deg]: mean and spread, in whom, how, and where it is published."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    joint: str
    mean: float
    sd: float | None = None
    population: str
    method: str
    source: str


class Compared(BaseModel):
    """This value less another [deg], whose own 95 % half-width is `half_width`; `limit` is the minimal
    detectable change, which the errors of both can explain (95 %), `real` beyond that."""

    other: float
    half_width: Number
    difference: float
    limit: float
    real: bool
    at: datetime | None = None


class RangeRow(BaseModel):
    """One end of one joint's motion [deg] with its 95 % half-width. `earlier` goes back in time."""

    signal: str
    label: str
    end: str
    value: float
    half_width: Number
    other_side: Compared | None
    earlier: list[Compared]
    reference: Reference | None
    caution: str


CAUTION = (
    "A reference is context, never pass or fail: it is of other people, measured by hand and at rest, and "
    "sources differ by more than 10 degrees. This is how far the joint went in "
    "the exercise, not how far it can go."
)


def ranges(report: Report) -> dict[str, list[float]]:
    """Signal -> lowest, highest and half-width [deg] within the complete repetitions of a report."""
    time_s = np.array(report.series.get("time_s", ()), float)
    inside = np.zeros(len(time_s), bool)
    for r in report.repetitions:
        if r.complete and r.verdict != "not_measured":
            inside |= (time_s >= r.start_s) & (time_s <= r.end_s)
    found = {}
    for name in SIGNALS.keys() & report.series.keys():
        values = np.array(report.series[name], float)[inside]
        if np.isfinite(values).any() and name in report.uncertainty_deg:
            ends = [float(np.nanmin(values)), float(np.nanmax(values)), report.uncertainty_deg[name]]
            found[name] = [round(v, 2) for v in ends]
    return found


def table(db: Session, clip: Clip) -> list[RangeRow]:
    """Rows of a clip, against every earlier clip of the exercise. Raises NotFound while unmeasured."""
    row = db.get(StoredReport, clip.id)
    if row is None:
        raise NotFound("report", "as the clip is not measured yet")
    query = select(Clip.created_at, StoredReport.ranges).join(StoredReport, StoredReport.clip_id == Clip.id)
    query = query.where(Clip.client_id == clip.client_id, Clip.exercise == clip.exercise)
    query = query.where(Clip.created_at < clip.created_at).order_by(Clip.created_at.desc())
    before = [(at, ends) for at, ends in db.execute(query)]
    return rows(row.ranges, before)


def rows(now: Ends, before: list[tuple[datetime, dict[str, list[float]]]]) -> list[RangeRow]:
    """Two rows a signal, its lowest and its highest end, in the order of the conventions."""
    told = []
    for name, signal in SIGNALS.items():
        for end, index in (("lowest", 0), ("highest", 1)) if name in now else ():
            earlier = [_compared(now[name], ends[name], index, at) for at, ends in before if name in ends]
            other = now.get(_other_side(name))
            told.append(
                RangeRow(
                    signal=name,
                    label=signal.label,
                    end=end,
                    value=now[name][index],
                    half_width=now[name][2],
                    other_side=_compared(now[name], other, index) if other else None,
                    earlier=earlier,
                    reference=_reference(name) if end == "highest" else None,
                    caution=CAUTION,
                )
            )
    return told


@cache
def references() -> tuple[Reference, ...]:
    """Published ranges, from `data/reference_ranges.toml`."""
    text = files("service").joinpath("data/reference_ranges.toml").read_text("utf-8")
    return tuple(Reference.model_validate(entry) for entry in tomllib.loads(text)["reference"])


def _compared(a: list[float], b: list[float], index: int, at: datetime | None = None) -> Compared:
    difference, limit = a[index] - b[index], change_limit(a[2], b[2])
    return Compared(
        other=b[index],
        half_width=b[2],
        difference=round(difference, 2),
        limit=round(limit, 2),
        real=abs(difference) > limit,
        at=at,
    )


def _other_side(name: str) -> str:
    joint, _, side = name.rpartition("_")
    return f"{joint}_{SIDES[1 - SIDES.index(side)]}" if side in SIDES else ""


def _reference(name: str) -> Reference | None:
    return next((r for r in references() if name.startswith(f"{r.joint}_")), None)
