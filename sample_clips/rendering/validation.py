"""Renders clips of people whom nothing was learned from or tuned on, for `tests.benchmarks.accuracy`.

    python -m sample_clips.rendering.validation FOLDER [--people 1] [--all-views] [--cards]
    python -m tests.benchmarks.accuracy FOLDER

A clip an exercise and person, filmed as told, or also from the other places that a phone may stand in, and
with the printed cards or without.
Every clip has a body, clothes, room, phone and motion of its own, drawn from seeds that neither the learned
parts nor the sample clips use. A clip that is there already is kept.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from sample_clips.rendering.dataset import VIEWS
from sample_clips.rendering.make import render
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.person import Conditions

FIRST_SEED, SEEDS_A_PERSON = 9300, 100
FPS, SIZE_PX = 15.0, (960, 540)


def views(exercise: str, *, every: bool) -> tuple[str | None, ...]:
    """Where the phone stands: drawn from the places that the exercise is told for, or everywhere."""
    return VIEWS[MOVEMENTS[exercise].lies] if every else (None,)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--people", type=int, default=1)
    parser.add_argument("--all-views", action="store_true")
    parser.add_argument("--cards", action="store_true", help="with both printed cards")
    a = parser.parse_args()
    for person in range(a.people):
        for number, exercise in enumerate(MOVEMENTS, 1):
            seed = FIRST_SEED + SEEDS_A_PERSON * person + number
            for view in views(exercise, every=a.all_views):
                name = "_".join(filter(None, (exercise, str(seed), view, a.cards and "cards")))
                if not (a.folder / f"{name}.truth.json").exists():
                    conditions = Conditions(size=SIZE_PX)
                    print(
                        render(
                            a.folder, name, exercise, seed,
                            fps=FPS, view=view, conditions=conditions, card=a.cards,
                        )
                    )  # fmt: skip


if __name__ == "__main__":
    main()
