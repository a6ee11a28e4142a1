"""A tilt read from landmarks, less what breathing looks like there."""

from __future__ import annotations

import numpy as np

from analysis.records import Floats


def less_breath(tilt_deg: Floats, breath_deg: float) -> Floats:
    """Tilt (T,) [deg] with turns away from its usual value made less where a breath looks like them.

    One of `breath_deg` is halved, a third of it vanishes, and the double keeps 94 %.
    """
    usual = np.nanmedian(tilt_deg)
    turned = tilt_deg - usual
    return np.asarray(usual + turned**5 / (turned**4 + breath_deg**4))
