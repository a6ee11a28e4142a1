"""The one page of units, axes, signs, names and the missing-value rule.

Units: degrees, seconds, centimetres, hertz. Time is in seconds everywhere after `video.py`.
Missing is NaN in arrays and `null` in JSON; it is never 0.

Axes of a body segment follow the ISB (Wu 2002, J Biomech 35:543): X anterior (towards the front of
the body), Y cranial (towards the head), Z to the client's right. The *mat frame* has the same axes,
taken from the way the client lies at the still start of the clip: for a client on the back X points
up from the mat and Y along it towards the head. Pelvic angles are rotations of the pelvis in that
frame, as a change from the still start. This is our own convention, not ISB: when a person lies,
"vertical" is not an axis of the body.

Where we differ from ISB signs: hip abduction and external rotation are positive, as clinicians
chart them (ISB: adduction and internal rotation); knee flexion is positive (ISB: negative about z).
"""

from dataclasses import dataclass
from typing import Final, Literal

Side = Literal["left", "right"]
SIDES: Final[tuple[Side, Side]] = ("left", "right")


@dataclass(frozen=True)
class Signal:
    """One measured angle: its name in reports, what + means, in degrees."""

    name: str
    label: str
    positive: str


PELVIC_TILT: Final = "pelvic_tilt"
PELVIC_OBLIQUITY: Final = "pelvic_obliquity"
PELVIC_ROTATION: Final = "pelvic_rotation"
TRUNK_CURL: Final = "trunk_curl"
PELVIC_SIGNALS: Final = (PELVIC_TILT, PELVIC_OBLIQUITY, PELVIC_ROTATION)
# What a client and the mirror image of the client have with opposite signs.
MIRRORED_SIGNALS: Final = (PELVIC_OBLIQUITY, PELVIC_ROTATION)
JOINT_ANGLES: Final = ("hip_flexion", "hip_abduction", "hip_rotation", "knee_flexion")

_POSITIVE: Final = {
    "hip_flexion": "thigh towards the front of the pelvis; 0 is in line with it",
    "hip_abduction": "thigh away from the mid-plane of the pelvis",
    "hip_rotation": "external; missing where the knee is nearly straight",
    "knee_flexion": "bent; 0 is straight",
}

SIGNALS: Final[dict[str, Signal]] = {
    s.name: s
    for s in (
        Signal(PELVIC_TILT, "Pelvic tilt", "anterior (arch); - is posterior (tuck)"),
        Signal(PELVIC_OBLIQUITY, "Pelvic obliquity", "left side lower than right"),
        Signal(PELVIC_ROTATION, "Pelvic rotation", "turned to the left (left side moves backward)"),
        Signal(TRUNK_CURL, "Trunk curl", "chest raised from the mat plane, towards the front"),
        *(
            Signal(f"{joint}_{side}", f"{joint.replace('_', ' ').capitalize()}, {side}", meaning)
            for joint, meaning in _POSITIVE.items()
            for side in SIDES
        ),
    )
}

# The thigh's turn about its own axis shows only through the bent shank [deg].
KNEE_TOO_STRAIGHT_FOR_HIP_ROTATION_DEG: Final = 20.0


def joint_signal(joint: str, side: Side) -> str:
    """Name of a joint's angle on one side, e.g. `knee_flexion_left`."""
    return f"{joint}_{side}"
