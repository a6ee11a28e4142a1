"""What was steady, and who did what, in plain words; the texts are data, in `data/`."""

import tomllib
from functools import cache
from importlib.resources import files

from pydantic import BaseModel, ConfigDict

from analysis import exercises
from analysis.records import Report


class Steady(BaseModel):
    """One thing that can be steady: the findings against it, the measure it needs, and the words."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kinds: frozenset[str]
    measure: str
    text: str


def steady(report: Report) -> list[str]:
    """Sentences on what was surely steady; none on what was not measured, not judged, or never so."""
    if not report.capture.usable:
        return []
    told, limits = [], exercises.load(report.exercise).limits
    for entry in _entries():
        if entry.kinds.isdisjoint(limits):
            continue
        seen = [r for r in report.judged() if getattr(r.measures, entry.measure) is not None]
        good = sum(entry.kinds.isdisjoint([*(f.kind for f in r.findings), *r.near]) for r in seen)
        if good:
            told.append(entry.text.format(n=good, of=len(seen)))
    return told


def deed(action: str, what: str) -> str:
    """What somebody saw or changed, for an entry of the audit trail."""
    return _deeds()[action].get(what) or f"{action}: {what.replace('_', ' ')}"


@cache
def _deeds() -> dict[str, dict[str, str]]:
    return tomllib.loads(files("service").joinpath("data/trail.toml").read_text("utf-8"))


@cache
def _entries() -> tuple[Steady, ...]:
    text = files("service").joinpath("data/plain.toml").read_text("utf-8")
    return tuple(Steady.model_validate(entry) for entry in tomllib.loads(text)["steady"])
