"""Which changes between sessions are called real, on rendered people whose true change is known.

    python -m sample_clips.rendering.sessions FOLDER          # needs the extra `render`
    python -m tests.benchmarks.changes FOLDER [--save FILE]

Measures every clip of FOLDER (a report that is there already is kept), compares every pair of sessions of
a person as `matline compare` does, and tells by exercise and measure: true changes above the minimal
detectable change that were called, and pairs without a true change that were called changed. Pairs share
sessions, so the intervals are somewhat too narrow. The factors at the end are what the table of
`analysis/measurement_error.toml` holds where FOLDER is of people 0 to 8.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from analysis import exercises, pipeline
from analysis.exercises import Exercise
from analysis.exercises.schema import PELVIS_FINDINGS
from analysis.progress import Session
from analysis.records import Floats, RepetitionSide, Report
from tests.benchmarks.accuracy import truth_series
from tests.rendered_sessions import FITTED, SURE, UNSEEN, Pair, Rendered, factors, false, found, load, pairs

LONG: dict[str, RepetitionSide] = {"L": "left", "R": "right", "both": "both"}
Truth = dict[str, Any]


def report_of(clip: Path, exercise: Exercise) -> Report:
    """The report beside the clip, measured now if there is none; without curves and texts."""
    kept = clip.with_suffix(".report.json")
    if not kept.exists():
        kept.write_text(pipeline.measure(clip, exercise).report.model_dump_json(by_alias=True))
    report = Report.model_validate_json(kept.read_text())
    bare = [r.model_copy(update={"findings": ()}) for r in report.repetitions]
    slim = {"series": dict.fromkeys(report.series, ()), "repetitions": tuple(bare), "sides": {}}
    return report.model_copy(update=slim | {"findings": (), "cautions": ()})


def true_means(truth: Truth, exercise: Exercise) -> dict[RepetitionSide, dict[str, float]]:
    """Mean of each measure over the true repetitions of a side."""
    sides: dict[RepetitionSide, list[dict[str, float]]] = defaultdict(list)
    for rep in truth["reps"]:
        side = LONG[rep["side"]]
        sides[side].append(
            {
                "range_deg": _range(truth, exercise, rep, side),
                "pelvis_deg": _pelvis(truth, exercise, rep),
                "out_s": rep["arrive"] - rep["start"],
                "back_s": rep["end"] - rep["leave"],
            }
        )
    return {
        side: {name: round(float(np.mean([r[name] for r in reps])), 3) for name in reps[0]}
        for side, reps in sides.items()
    }


def _range(truth: Truth, exercise: Exercise, rep: Truth, side: RepetitionSide) -> float:
    """The range as the exercise defines it: far end against rest, or against the least on the way."""
    t = np.arange(rep["start"], rep["end"], 0.02)
    sums = [w * truth_series(truth, n, t) for n, w in exercise.range_weights(side).items()]
    total: Floats = np.sum(sums, axis=0)
    out, back = t <= rep["arrive"], t >= rep["leave"]
    far = np.concatenate([total[out][-1:], total[back][:1]]).mean()
    if exercise.range.since == "least":
        rest = (total[out].min() + total[back].min()) / 2
    else:
        rest = (total[0] + total[-1]) / 2
    return float(far - rest)


def _pelvis(truth: Truth, exercise: Exercise, rep: Truth) -> float:
    """Largest turn of the pelvis at the far end, of the axes that the exercise judges."""
    moments = np.array([rep["start"], rep["arrive"], rep["leave"], rep["end"]])
    judged = [name for kind, name in PELVIS_FINDINGS.items() if kind in exercise.limits]
    seen = [truth_series(truth, name, moments) for name in judged]
    return max((abs((s[1] + s[2] - s[0] - s[3]) / 2) for s in seen), default=float("nan"))


def measured(folder: Path) -> list[Rendered]:
    """Every clip of the folder with its truth."""
    sessions = []
    for path in sorted(folder.glob("*.truth.json")):
        truth = json.loads(path.read_text())
        exercise = exercises.load(truth["exercise"])
        report = report_of(path.with_name(f"{truth['name']}.mp4"), exercise)
        of_person = Session.of(truth["name"], report)
        sessions.append(Rendered(truth["person"], of_person, true_means(truth, exercise)))
    return sessions


def save(path: Path, sessions: Sequence[Rendered]) -> None:
    """Write the sessions for the tests, one a line."""
    lines = [
        json.dumps(
            {
                "name": s.session.name,
                "person": s.person,
                "truth": s.truth,
                "report": _rounded(s.session.report.model_dump(mode="json", by_alias=True)),
            }
        )
        for s in sessions
    ]
    path.write_text("[\n" + ",\n".join(lines) + "\n]\n")


def _rounded(part: Any) -> Any:
    if isinstance(part, dict):
        return {name: _rounded(value) for name, value in part.items()}
    if isinstance(part, list):
        return [_rounded(value) for value in part]
    return round(part, 3) if isinstance(part, float) else part


def tell(title: str, told: Sequence[Pair]) -> None:
    """Changes found (of all above the detectable one, and of the sure ones), false calls, and the errors."""
    error = np.array([p.error for p in told])
    limit = np.array([p.told.limit for p in told], float)
    print(f"{title:24s} found {found(told)!s:32s} sure {found(told, SURE)!s:32s}", end=" ")
    print(
        f"false {false(told)!s:32s} error sd {error.std():5.2f} bias {error.mean():+5.2f} limit {np.median(limit):5.2f}",
        end=" ",
    )
    print(f"inside {np.mean(np.abs(error) <= limit):.0%} of {len(told)}")


def tell_factors(sessions: Sequence[Rendered]) -> None:
    """Factors for `analysis/measurement_error.toml`."""
    for measure, by_exercise in factors(sessions).items():
        told = ", ".join(f"{name} {value:.2f}" for name, value in by_exercise.items())
        print(f"between clips, {measure}: {told}")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "folder", type=Path, nargs="?", help="clips; without it, the unseen people of the tests"
    )
    parser.add_argument(
        "--save", type=Path, help=f"keep what the tests need, as in {FITTED.name} and {UNSEEN.name}"
    )
    args = parser.parse_args()
    sessions = measured(args.folder) if args.folder else load(UNSEEN)
    if args.save:
        save(args.save, sessions)
    tables: dict[str, list[Pair]] = defaultdict(list)
    for pair in pairs(sessions):
        for title in (
            f"{pair.exercise} {pair.told.measure}",
            pair.told.measure,
            f"person {pair.person}",
            "all",
        ):
            tables[title].append(pair)
    for title, told in tables.items():
        tell(title, told)
    tell_factors(sessions)


if __name__ == "__main__":
    main()
