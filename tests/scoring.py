"""Scores found repetitions and findings against exact truth: the measures that the project must reach."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.records import Repetition
from sample_clips.rendering.movement import Rep

LEAST_OVERLAP = 0.5  # of the union, for a found repetition to count as the true one
# Fault put in -> finding that it must raise, and the sizes from which it counts.
TURNED = {"tilt": "pelvis_tilted", "rot": "pelvis_rotated", "obl": "pelvis_hiked"}
LEAST_TURN_DEG, SLOWEST_RUSHED, LEAST_MISS_M, USUAL_RANGE = 6.0, 0.5, 0.06, (0.75, 1.25)


@dataclass
class Score:
    """Counts over one or more clips; `+` adds them up."""

    true: int = 0
    found: int = 0
    extra: int = 0
    side_right: int = 0
    faults: int = 0
    faults_found: int = 0
    sound: int = 0
    sound_flagged: int = 0
    edges_s: list[float] = field(default_factory=list)
    missed: Counter[str] = field(default_factory=Counter)
    false: Counter[str] = field(default_factory=Counter)

    def __add__(self, other: Score) -> Score:
        names = self.__dataclass_fields__
        return Score(**{name: getattr(self, name) + getattr(other, name) for name in names})

    @property
    def edge_error_s(self) -> float:
        """Mean distance of found starts and ends from the true ones [s]."""
        return float(np.mean(self.edges_s)) if self.edges_s else float("nan")


def expected(faults: dict[str, float]) -> set[str]:
    """Findings that a repetition with these faults must raise."""
    kinds = {TURNED[name] for name, size in faults.items() if name in TURNED and abs(size) >= LEAST_TURN_DEG}
    if faults.get("tempo", 1.0) <= SLOWEST_RUSHED:
        kinds.add("rushed")
    if abs(faults.get("miss", 0.0)) >= LEAST_MISS_M:
        kinds.add("off_target")
    if faults.get("range", 1.0) < USUAL_RANGE[0]:
        kinds.add("range_short")
    if faults.get("range", 1.0) > USUAL_RANGE[1]:
        kinds.add("range_beyond")
    return kinds


def _overlap(found: Repetition, true: Rep) -> float:
    both = min(found.end_s, true.end) - max(found.start_s, true.start)
    either = max(found.end_s, true.end) - min(found.start_s, true.start)
    return both / either


def pair(found: Sequence[Repetition], true: Sequence[Rep]) -> list[tuple[Rep, Repetition | None]]:
    """Each true repetition with the found one that overlaps it most, if any does by half."""
    free = list(found)
    pairs: list[tuple[Rep, Repetition | None]] = []
    for rep in true:
        best = max(free, key=lambda r: _overlap(r, rep), default=None)
        if best is not None and _overlap(best, rep) < LEAST_OVERLAP:
            best = None
        if best is not None:
            free.remove(best)
        pairs.append((rep, best))
    return pairs


def score(found: Sequence[Repetition], true: Sequence[Rep]) -> Score:
    """Score of one clip."""
    out = Score(true=len(true))
    for rep, got in pair(found, true):
        want = expected(rep.faults)
        kinds = {f.kind for f in got.findings if f.kind != "not_measurable"} if got else set()
        out.faults += len(want)
        out.faults_found += len(want & kinds)
        out.missed.update(want - kinds)
        if got:
            out.found += 1
            out.side_right += got.side == rep.side
            out.edges_s += [abs(got.start_s - rep.start), abs(got.end_s - rep.end)]
        if not rep.faults:
            out.sound += 1
            out.sound_flagged += bool(kinds)
            out.false.update(kinds)
    out.extra = len(found) - out.found
    return out
