"""Renders a clip to a file with its exact truth beside it.

python -m sample_clips.rendering.make OUT_FOLDER --exercise toe_tap --seed 7 [--view side] [--card] ...
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np

from analysis.video import Frame, write_video
from sample_clips.rendering.body import make_body
from sample_clips.rendering.clip import Plan, frames, plan, truth
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.person import Conditions, phenotype


def render(
    folder: Path,
    name: str,
    exercise: str,
    seed: int,
    *,
    fps: float = 24.0,
    view: str | None = None,
    conditions: Conditions | None = None,
    card: bool = False,
    fault_share: float = 0.3,
) -> Path:
    """Write NAME.mp4 and NAME.truth.json; the person, room and motion all come from the seed."""
    body = make_body(**phenotype(np.random.default_rng(seed + 77_000)))
    p = plan(name, exercise, body, seed, view=view, conditions=conditions, card=card, fault_share=fault_share)
    return write(folder, p, fps)


def write(folder: Path, p: Plan, fps: float, **told: object) -> Path:
    """Write a planned clip and its truth; `told` is put into the truth, too."""
    exact = truth(p, fps) | told
    times = np.arange(len(exact["series"])) / fps  # type: ignore[arg-type]
    pictures = (Frame(float(t), picture) for t, (picture, _) in zip(times, frames(p, times), strict=True))
    folder.mkdir(parents=True, exist_ok=True)
    write_video(folder / f"{p.name}.mp4", pictures, quality=27)
    (folder / f"{p.name}.truth.json").write_text(json.dumps(exact))
    return folder / f"{p.name}.mp4"


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--exercise", choices=list(MOVEMENTS), required=True)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--view")
    parser.add_argument("--fps", type=float, default=24.0)
    parser.add_argument("--card", action="store_true")
    parser.add_argument("--portrait", action="store_true")
    a = parser.parse_args()
    conditions = Conditions(size=(720, 1280) if a.portrait else (1280, 720))
    name = f"{a.exercise}_{a.seed}"
    print(
        render(a.folder, name, a.exercise, a.seed, fps=a.fps, view=a.view, conditions=conditions, card=a.card)
    )


if __name__ == "__main__":
    main()
