"""Pairs of really measured sessions of rendered people: the true change, and what was called changed.

The files hold the reports without their curves, and the truth of each session: `FITTED` of the people
with whom the factors of `analysis/measurement_error.toml` were chosen, `UNSEEN` of people with whom nothing
was chosen. `python -m tests.benchmarks.changes FOLDER --save FILE` makes them.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations, groupby
from pathlib import Path

import numpy as np
from scipy import stats

from analysis import exercises
from analysis.measurement_error import half_width
from analysis.progress import Session, compare
from analysis.progress.change import Change
from analysis.records import RepetitionSide, Report
from analysis.statistics import Z95

_DATA = Path(__file__).parent / "data"
FITTED, UNSEEN = _DATA / "rendered_sessions.json", _DATA / "unseen_sessions.json"
NO_CHANGE = 0.1  # of the minimal detectable change: a true change smaller than this is none
# From this multiple on, nine of ten are seen: at the detectable change itself (1.96 standard errors of a
# difference) one in two is, and nine in ten lie above the mean less 1.28 standard errors.
SURE = (1.96 + 1.28) / 1.96


@dataclass(frozen=True, eq=False)
class Rendered:
    """A measured session and its truth: side -> measure -> mean over the repetitions."""

    person: int
    session: Session
    truth: dict[RepetitionSide, dict[str, float]]


@dataclass(frozen=True)
class Pair:
    """One measure of one side in two sessions: its true change, and the change that is told."""

    person: int
    exercise: str
    sessions: tuple[str, str]
    true: float
    told: Change

    @property
    def error(self) -> float:
        """Told less true change, in the unit of the measure."""
        return self.told.difference - self.true

    @property
    def share(self) -> float:
        """True change as a share of the minimal detectable one."""
        return abs(self.true) / (self.told.limit or float("nan"))

    @property
    def called(self) -> bool:
        """Called real, in the direction of the true change."""
        return bool(self.told.real) and self.told.difference * self.true > 0


def load(path: Path) -> list[Rendered]:
    """Sessions from the file."""
    return [
        Rendered(s["person"], Session.of(s["name"], Report.model_validate(s["report"])), s["truth"])
        for s in json.loads(path.read_text())
    ]


def pairs(sessions: Iterable[Rendered]) -> list[Pair]:
    """Every pair of sessions of the same person and exercise, as `matline compare` tells them."""
    ordered = sorted(sessions, key=_who)
    groups = [list(group) for _, group in groupby(ordered, key=_who)]
    return [pair for group in groups for a, b in combinations(group, 2) for pair in _changes(a, b)]


def _who(rendered: Rendered) -> tuple[int, str]:
    return rendered.person, rendered.session.report.exercise


def _changes(a: Rendered, b: Rendered) -> Iterable[Pair]:
    told, _ = compare([a.session, b.session])
    for change in told.changes:
        before, after = (s.truth.get(change.side, {}).get(change.measure) for s in (a, b))
        if before is not None and after is not None and change.limit is not None:
            names = (a.session.name, b.session.name)
            yield Pair(a.person, told.exercise, names, after - before, change)


@dataclass(frozen=True)
class Share:
    """How many of how many, with the 95 % interval of Wilson 1927."""

    count: int
    of: int

    @property
    def value(self) -> float:
        """Share, NaN for none."""
        return self.count / self.of if self.of else float("nan")

    def __str__(self) -> str:
        if not self.of:
            return "none"
        low, high = stats.binomtest(self.count, self.of).proportion_ci(method="wilson")
        return f"{self.count}/{self.of} = {self.value:.1%} ({low:.1%} to {high:.1%})"


def found(told: Sequence[Pair], above: float = 1.0) -> Share:
    """Of the pairs whose true change is above so many detectable ones, those called real the right way."""
    return _share([p for p in told if p.share > above], lambda p: p.called)


def false(told: Sequence[Pair]) -> Share:
    """Of the pairs with no true change, those called changed."""
    return _share([p for p in told if p.share < NO_CHANGE], lambda p: bool(p.told.real))


def _share(among: Sequence[Pair], counts: Callable[[Pair], bool]) -> Share:
    return Share(sum(map(counts, among)), len(among))


# ---------------------------------------------------------------- how much less sure other clips are

# Below these a factor is not believed; and a time, a pelvis whose cloth hides its motion, and what was not
# studied are never surer between clips than within one.
LEAST_FACTOR = {"range_deg": 0.6, "pelvis_deg": 0.6, "out_s": 1.0, "back_s": 1.0}
LEAST_OF_UNKNOWN = 1.0


def factors(sessions: Sequence[Rendered]) -> dict[str, dict[str, float]]:
    """Factors of `analysis/measurement_error.toml`, by measure and exercise; `any` is of all together."""
    names = sorted({s.session.report.exercise for s in sessions})
    table = {}
    for measure, least in LEAST_FACTOR.items():
        hidden = LEAST_OF_UNKNOWN if measure == "pelvis_deg" else least
        whole = max(LEAST_OF_UNKNOWN, factor(sessions, measure))
        each = {name: factor(sessions, measure, name) for name in names}
        leasts = {name: hidden if exercises.load(name).cloth_hides else least for name in names}
        table[measure] = {"any": whole} | {
            n: whole if np.isnan(f) else max(leasts[n], f) for n, f in each.items()
        }
    return table


def factor(sessions: Sequence[Rendered], measure: str, exercise: str | None = None) -> float:
    """By how much the error between a person's clips exceeds the half-width stated within one; NaN for none.

    1.96 standard deviations of the clips' errors around the person's mean, each as a share of its own
    half-width; the spread of repetitions, which `progress` counts by itself, is taken off.
    """
    clips: dict[tuple[int, str, str], list[tuple[float, float, float]]] = defaultdict(list)
    for s in sessions:
        report = s.session.report
        for side in s.truth if exercise in (None, report.exercise) else ():
            amounts = [getattr(r.measures, measure) for r in report.judged(side)]
            if known := [a for a in amounts if a is not None]:
                stated = half_width(report, side, measure)
                error, spread = np.mean(known) - s.truth[side][measure], np.var(known, ddof=len(known) > 1)
                clips[s.person, report.exercise, side].append((error, spread / len(known), stated))
    squares, freedom = 0.0, 0
    for error, spread, stated in (np.array(clip).T for clip in clips.values() if len(clip) > 1):
        freedom += len(error) - 1
        own = (1 - 1 / len(error)) * spread
        squares += float((((error - error.mean()) ** 2 - own) / stated**2).sum())
    return Z95 * float(np.sqrt(max(0.0, squares) / freedom)) if freedom else float("nan")
