"""Survey and measured parts on their way from one machine to another."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from analysis.landmarks import Pose
from analysis.observe.part import Arrays
from analysis.observe.survey import Survey


def survey_to_json(seen: Survey) -> dict[str, Any]:
    """A survey as numbers and lists that JSON can hold, exactly."""
    found: dict[str, Any] = _listed(asdict(seen))
    return found


def survey_from_json(found: dict[str, Any]) -> Survey:
    """The survey that `survey_to_json` was given."""
    start = found["start"]
    arrays = {name: found[name] and np.array(found[name]) for name in ("client", "heading")}
    return Survey(
        **found
        | arrays
        | {
            "start": None if start is None else Pose(**{k: np.array(v) for k, v in start.items()}),
            "crop": tuple(found["crop"]),
            "times_s": tuple(found["times_s"]),
            "people": tuple(found["people"]),
        }
    )


def save_part(path: Path, arrays: Arrays) -> None:
    """Write a measured part as a compressed file of arrays."""
    with path.open("wb") as file:
        np.savez_compressed(file, **arrays)  # type: ignore[arg-type]


def load_part(path: Path) -> Arrays:
    """The part that `save_part` was given; reading it runs no code."""
    with np.load(path, allow_pickle=False) as stored:
        return dict(stored)


def _listed(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _listed(v) for name, v in value.items()}
    return value.tolist() if isinstance(value, np.ndarray) else value
