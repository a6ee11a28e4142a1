"""Where the arms of rendered people lie: a hand across the pelvis would hide what is measured there."""

import numpy as np
import pytest
from simulated import stick_body

from sample_clips.rendering.body import Body, Floats
from sample_clips.rendering.motions import MOVEMENTS, SideLying
from sample_clips.rendering.pose import Posed, pose


@pytest.mark.parametrize("exercise", ["clam", "leg_circle"])
@pytest.mark.parametrize("scale", [0.85, 1.0, 1.15])
@pytest.mark.parametrize("seed", range(4))
def test_the_upper_hand_lies_on_the_mat_above_the_pelvis(exercise: str, scale: float, seed: int) -> None:
    """The mat is as far below the middle as the upper shoulder is above it."""
    body = stick_body(scale)
    movement = MOVEMENTS[exercise](body, np.random.default_rng(seed))
    assert isinstance(movement, SideLying)
    posed, top = pose(body, movement.still()), movement.top
    ahead, towards_head, up = _fingers(body, posed, top) - posed.positions["pelvis"]
    assert up == pytest.approx(-body.pivots[f"upper_arm_{top}"][2], abs=0.01)
    assert ahead > 0.25 * scale
    assert towards_head > 0.12 * scale


def _fingers(body: Body, posed: Posed, side: str) -> Floats:
    """Tip of the hand, whose length is that of Drillis and Contini (in Winter 2009: 0.108 of the height, the
    forearm 0.146)."""
    forearm = body.pivots[f"hand_{side}"] - body.pivots[f"forearm_{side}"]
    along = posed.rotations[f"forearm_{side}"] @ forearm
    return posed.positions[f"forearm_{side}"] + along * (1 + 0.108 / 0.146)
