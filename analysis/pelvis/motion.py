"""The records of the pelvis's motion."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.records import Floats, PelvisSource


@dataclass(frozen=True, eq=False)
class PelvisMotion:
    """values: pelvic signal -> (T,) change since the still start [deg], NaN where not seen;
    uncertainty_deg: 95 % half-width of a value; change_uncertainty_deg: of a difference in the clip;
    overstated_deg, understated_deg: by how much a change up to a moment (T,) may be so, where told;
    source: the best that was used; sources: which one each signal comes from; bridged: as values, but told
    by the body model where the source did not see: hip angles would jump there."""

    values: dict[str, Floats]
    uncertainty_deg: dict[str, float]
    change_uncertainty_deg: dict[str, float]
    source: PelvisSource
    sources: dict[str, PelvisSource] = field(default_factory=dict)
    overstated_deg: dict[str, Floats] = field(default_factory=dict)
    understated_deg: dict[str, Floats] = field(default_factory=dict)
    bridged: dict[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Seen:
    """What one source says: angles (T, 3) tilt, obliquity, rotation since the still start [deg], NaN
    where not seen; half_width_deg (3,): 95 % half-width of a value, infinite for an axis it cannot see;
    change_half_width_deg (3,): the same of a difference within the clip; overstated_deg (T, 3): by
    how much a change from rest up to that moment may be overstated (95 %), where the source tells it."""

    angles: Floats
    half_width_deg: Floats
    change_half_width_deg: Floats
    overstated_deg: Floats | None = None

    def overstated(self, axis: int) -> Floats | None:
        """The same (T,) of one axis; None where the source does not tell it."""
        told = None if self.overstated_deg is None else self.overstated_deg[:, axis]
        return None if told is None or np.isnan(told).all() else told
