"""The record of the pelvis's motion."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.records import Floats, PelvisSource


@dataclass(frozen=True, eq=False)
class PelvisMotion:
    """values: pelvic signal -> (T,) change since the still start [deg], NaN where not seen;
    uncertainty_deg: 95 % half-width of a value; change_uncertainty_deg: of a difference in the clip."""

    values: dict[str, Floats]
    uncertainty_deg: dict[str, float]
    change_uncertainty_deg: dict[str, float]
    source: PelvisSource
