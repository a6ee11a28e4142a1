"""The curves of a clip as drawings: made once, when it is measured, and read at every look at it."""

from pydantic import BaseModel
from sqlalchemy.orm import Session

from analysis import plots
from analysis.records import Report
from service import review
from service.store.models import Clip


class Drawing(BaseModel):
    """One drawing: its title, the signals in it, and the SVG."""

    title: str
    signals: tuple[str, ...]
    svg: str


class Drawings(BaseModel):
    """All drawings of a report, and where their time ends [s]."""

    end_s: float
    curves: list[Drawing]


def drawn(report: Report) -> Drawings:
    """The drawings of a report with its curves."""
    times = [t for t in report.series.get("time_s", ()) if t is not None]
    return Drawings(
        end_s=times[-1] if times else report.clip.duration_s,
        curves=[
            Drawing(title=p.title, signals=p.signals, svg=plots.curve(report, p))
            for p in plots.panels(report)
        ],
    )


def of_clip(db: Session, clip: Clip, dismissed: set[str]) -> Drawings:
    """What is kept; drawn anew where findings are to be left out, or where none were kept yet."""
    kept = review.stored(db, clip).curves
    if kept and not dismissed:
        return Drawings.model_validate_json(kept)
    return drawn(review.without(review.report(db, clip), dismissed))
