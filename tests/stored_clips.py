"""Stored clips of rendered people: what was seen in them, and how the pelvis really moved."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from fake_report import observations

from analysis.records import Floats, Observations

STORED = np.load(Path(__file__).parent / "data" / "rendered_cloth.npz")


def clip(name: str) -> tuple[Observations, Floats]:
    """Observations of a stored clip, and its exact pelvic angles since the start (T, 3) [deg]."""
    d = {k.partition(".")[2]: STORED[k] for k in STORED.files if k.startswith(name + ".")}
    width, height = (int(n) for n in d["size"])
    seen = observations(d["time_s"].astype(float), d["px"].astype(float), width=width, height=height)
    stored = {
        "landmarks_cm": "cm",
        "visibility": "visibility",
        "fabric_px": "spots_px",
        "fabric_start_px": "start_px",
    }
    seen = replace(seen, **{field: d[name].astype(float) for field, name in stored.items()})
    none = np.full((len(seen.time_s), 3, 3), np.nan)
    seen = replace(seen, mat_rotation=none, card_rotation=none, card_covariance=none)
    return seen, d["pelvis_deg"] - d["pelvis_deg"][:4].mean(axis=0)
