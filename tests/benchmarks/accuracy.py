"""How well Matline measures, on clips with exact truth.

    python -m tests.benchmarks.accuracy [FOLDER] [--save FILE]

For every NAME.mp4 with NAME.truth.json in FOLDER (default: sample_clips): mean absolute error, bias,
95 % limits of agreement (Bland & Altman 1986) and coverage of the stated half-widths, by exercise, view
and source, beside the angles that a straightforward reading of the 3-D landmarks gives.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis import exercises, pipeline
from analysis.conventions import PELVIC_SIGNALS, SIDES
from analysis.records import Floats

Rows = list[tuple[str, Floats, float]]  # signal, errors, stated half-width
Tables = dict[str, dict[str, Rows]]  # what it is grouped by -> group -> rows


def truth_series(truth: dict[str, object], signal: str, times: Floats) -> Floats:
    """Exact values of a signal at the times (T,)."""
    short = signal.replace("_left", "_L").replace("_right", "_R")
    values = np.array([np.nan if f[short] is None else f[short] for f in truth["series"]], float)  # type: ignore[attr-defined]
    return np.interp(times, np.arange(len(values)) / float(truth["fps"]), values)  # type: ignore[arg-type]


def straightforward(cm: Floats) -> dict[str, Floats]:
    """Knee and hip flexion straight from the pose model's 3-D landmarks (T, 33, 3)."""
    out = {}
    for k, side in enumerate(SIDES):
        shoulder, hip, knee, ankle = (cm[:, i + k] for i in (11, 23, 25, 27))
        out[f"knee_flexion_{side}"] = 180 - _included(hip - knee, ankle - knee)
        out[f"hip_flexion_{side}"] = 180 - _included(shoulder - hip, knee - hip)
    return out


def _included(a: Floats, b: Floats) -> Floats:
    cos = (a * b).sum(1) / np.linalg.norm(a, axis=1) / np.linalg.norm(b, axis=1)
    return np.asarray(np.degrees(np.arccos(np.clip(cos, -1, 1))), float)


def errors(measured: pipeline.Measured, truth: dict[str, object]) -> tuple[Rows, Rows]:
    """Errors of Matline and of the straightforward angles, signal by signal."""
    motion, rows, plain = measured.motion, [], []
    start = motion.time_s < 0.7
    for name, values in motion.values.items():
        exact = truth_series(truth, name, motion.time_s)
        if name in PELVIC_SIGNALS:
            exact = exact - np.nanmean(exact[start])
        rows.append((name, values - exact, motion.uncertainty_deg[name]))
    for name, values in straightforward(measured.observations.landmarks_cm).items():
        plain.append((name, values - truth_series(truth, name, motion.time_s), np.nan))
    return rows, plain


@dataclass(frozen=True)
class Agreement:
    """Error of many values [deg]: mean absolute, mean (bias), 95 % limits of agreement, share inside [%]."""

    mean_absolute: float
    bias: float
    low: float
    high: float
    inside_pct: float

    def __str__(self) -> str:
        limits = f"limits {self.low:+6.1f} {self.high:+6.1f}"
        return f"mae {self.mean_absolute:5.2f}  bias {self.bias:+5.2f}  {limits}  inside {self.inside_pct:3.0f} %"


def agreement(rows: Rows) -> Agreement:
    """Agreement with the truth over rows; limits after Bland & Altman 1986, Lancet 327:307.

    `inside_pct` is how often the truth lies within the stated half-width; NaN where none is stated.
    """
    e = np.concatenate([row[1] for row in rows])
    e = e[np.isfinite(e)]
    stated = [np.abs(r[1][np.isfinite(r[1])]) <= r[2] for r in rows if np.isfinite(r[2])]
    inside = 100 * float(np.concatenate(stated).mean()) if stated else float("nan")
    low, high = e.mean() - 1.96 * e.std(), e.mean() + 1.96 * e.std()
    return Agreement(float(np.abs(e).mean()), float(e.mean()), float(low), float(high), inside)


def group(name: str) -> str:
    """Pelvis, trunk, hip or knee."""
    return "pelvis" if name in PELVIC_SIGNALS else name.split("_")[0]


def measured_with_truth(path: Path) -> tuple[pipeline.Measured, dict[str, object]]:
    """The clip beside NAME.truth.json, measured; and its truth."""
    truth = json.loads(path.read_text())
    clip = path.with_name(path.name.replace(".truth.json", ".mp4"))
    return pipeline.measure(clip, exercises.load(truth["exercise"])), truth


def enter(tables: Tables, measured: pipeline.Measured, truth: dict[str, object]) -> None:
    """Enter the errors of one clip, by exercise, view, source and as a whole."""
    rows, plain = errors(measured, truth)
    for row in rows:
        kind = group(row[0])
        tables["exercise"][f"{truth['exercise']} {kind}"].append(row)
        tables["view"][f"{truth['view']} {kind}"].append(row)
        tables["all"][kind].append(row)
        if kind == "pelvis":
            tables["source"][measured.motion.pelvis_source].append(row)
    for row in plain:
        tables["straightforward"][group(row[0])].append(row)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=Path("sample_clips"))
    parser.add_argument("--save", type=Path, help="write every error as JSON")
    args = parser.parse_args()
    tables: Tables = {t: defaultdict(list) for t in ("exercise", "view", "source", "straightforward", "all")}
    for path in sorted(args.folder.glob("*.truth.json")):
        enter(tables, *measured_with_truth(path))
    for title, table in tables.items():
        print(f"\nby {title}" if title not in ("all", "straightforward") else f"\n{title}")
        for label, found in sorted(table.items()):
            print(f"  {label:44s}", agreement(found))
    if args.save:
        flat = {
            t: {k: [(n, np.round(e, 2).tolist(), w) for n, e, w in v] for k, v in d.items()}
            for t, d in tables.items()
        }
        args.save.write_text(json.dumps(flat))


if __name__ == "__main__":
    main()
