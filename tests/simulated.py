"""Sets of exercise as a measuring chain would report them: exact angles plus errors of known size.

The exact angles come from the clip generator's own motions, without drawing a picture. `Style` varies how a
person moves beyond what the generator draws; `Errors` varies how well the movement is measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from analysis.conventions import PELVIC_SIGNALS, SIDES, SIGNALS
from analysis.records import Floats, Motion
from sample_clips.rendering.body import Body
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.movement import Movement, Rep, posture_at, timeline
from sample_clips.rendering.pose import pose

RATE_HZ = 12.5
ALONG_MAT = 1  # axis of the room: towards the head

# Right half of an upright stick body: joint positions from the middle of the hips [m]
# (X to the front, Y up, Z right), typical adult proportions.
_MIDDLE = {
    "pelvis": (0, 0, 0), "spine05": (0, 0.01, 0), "spine04": (-0.03, 0.08, 0), "spine03": (-0.02, 0.15, 0),
    "spine02": (-0.02, 0.23, 0), "spine01": (-0.04, 0.36, 0), "trunk": (-0.04, 0.36, 0),
    "neck": (0, 0.53, 0), "head": (0.03, 0.63, 0), "head_top": (0.03, 0.78, 0),
}  # fmt: skip
_RIGHT = {
    "thigh": (0, 0, 0.10), "shank": (0.03, -0.42, 0.135), "foot": (0, -0.83, 0.18),
    "toe": (0.19, -0.89, 0.18),
    "upper_arm": (0.01, 0.44, 0.16), "forearm": (0.01, 0.25, 0.33), "hand": (0.17, 0.12, 0.45),
}  # fmt: skip


@cache
def stick_body(scale: float = 1.0) -> Body:
    """A body that is all joints: one vertex, 10 cm behind the hips, stands for the skin on the mat."""
    pivots = {name: scale * np.array(at, float) for name, at in _MIDDLE.items()}
    for name, at in _RIGHT.items():
        pivots[f"{name}_right"] = scale * np.array(at, float)
        pivots[f"{name}_left"] = scale * np.array(at, float) * (1, 1, -1)
    back = np.array([[-0.10 * scale, 0.0, 0.0]])
    return Body(back, np.zeros((0, 3), np.int32), np.ones((1, 1)), pivots)


# ------------------------------------------------------------------------------ how people move

PROFILES = {
    "minimum_jerk": lambda x: x**3 * (10 - 15 * x + 6 * x * x),
    "half_cosine": lambda x: (1 - np.cos(np.pi * x)) / 2,
    "nearly_even": lambda x: 0.5 * x + 0.5 * x * x * (3 - 2 * x),
    "late": lambda x: (lambda y: y * y * (3 - 2 * y))(x**1.3),
}


@dataclass(frozen=True)
class StyledRep(Rep):
    """A repetition with its own time course."""

    profile: str = "minimum_jerk"

    def progress(self, t: float) -> float:
        """How far out at time t [s], 0..1."""
        t -= self.start
        if t < self.out_s:
            x = t / self.out_s
        else:
            x = 1 - float(np.clip((t - self.out_s - self.hold_s) / self.back_s, 0, 1))
        return float(PROFILES[self.profile](np.clip(x, 0, 1)))


@dataclass(frozen=True)
class Style:
    """Ranges from which one person's set is drawn; the generator's own where None."""

    count: tuple[int, int] | None = None
    phase_s: tuple[float, float] | None = None
    pause_s: tuple[float, float] = (0.25, 0.9)
    hold_s: tuple[float, float] | None = None
    unevenness: float = 0.05
    one_side: bool = False
    fault_share: float = 0.3
    profiles: tuple[str, ...] = ("minimum_jerk",)


OWN = Style()
OTHERS = (
    Style(
        count=(6, 12), phase_s=(1.2, 1.8), pause_s=(0.0, 0.05), hold_s=(0.0, 0.1), profiles=("half_cosine",)
    ),
    Style(count=(3, 6), phase_s=(3.0, 5.0), pause_s=(0.5, 3.0), hold_s=(0.0, 2.0), profiles=("nearly_even",)),
    Style(
        count=(3, 8),
        phase_s=(1.3, 3.0),
        pause_s=(0.0, 2.0),
        unevenness=0.15,
        profiles=("late", "half_cosine"),
    ),
    Style(count=(3, 10), phase_s=(1.3, 3.0), pause_s=(0.1, 1.5), one_side=True, profiles=tuple(PROFILES)),
)


def _styled(movement: Movement, style: Style, rng: np.random.Generator) -> list[Rep]:
    """The generator's timeline for this movement, re-timed to the style."""
    movement.reps = style.count or movement.reps  # type: ignore[misc]
    movement.phase_s = style.phase_s or movement.phase_s  # type: ignore[misc]
    movement.hold_s = movement.hold_s if style.hold_s is None or movement.hold_s[0] > 2 else style.hold_s
    movement.alternating = movement.alternating and not style.one_side  # type: ignore[misc]
    if style.one_side and movement.name in ALTERNATING:
        movement.top = str(rng.choice(SIDES))  # type: ignore[attr-defined]
    drawn = timeline(movement, rng, style.fault_share)
    profile, t, reps = str(rng.choice(style.profiles)), drawn[0].start, []
    for rep in drawn:
        pace = np.exp(rng.normal(0, style.unevenness, 2))
        styled = StyledRep(
            rep.side,
            t,
            rep.out_s * pace[0],
            rep.hold_s,
            rep.back_s * pace[1],
            rep.faults,
            rep.reverse,
            profile,
        )
        reps.append(styled)
        t = styled.end + rng.uniform(*style.pause_s)
    return reps


ALTERNATING = {name for name, movement in MOVEMENTS.items() if movement.alternating}

# -------------------------------------------------------------------------------- how they are measured


@dataclass(frozen=True)
class Errors:
    """Sizes of measurement errors [deg]; `gain` and `leak` are shares.

    bias: constant; wander: slow, over about 6 s; noise: over about 0.3 s; gain: of a joint's excursion;
    leak: share of the other leg's movement that shows up on a side; snap: how much small departures from
    rest and from the far end are read as rest and far end, 0 none to 1 (seen in rendered clips);
    far: factor for the side away from the phone; gaps: share of time missing, in pieces of up to `gap_s`.
    """

    bias: float = 4.0
    wander: float = 1.0
    noise: float = 1.5
    gain: float = 0.08
    leak: float = 0.05
    snap: float = 0.6
    far: float = 1.5
    pelvis: float = 0.5
    pelvis_gain: float = 0.1
    gaps: float = 0.02
    gap_s: float = 0.6
    place_cm: float = 1.5


NONE = Errors(0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0)
MODERATE = Errors()
STRONG = Errors(6.0, 1.5, 2.5, 0.12, 0.15, 0.6, 1.6, 0.8, 0.15, 0.05, 1.0, 2.5)


def _wave(rng: np.random.Generator, count: int, over_s: float) -> Floats:
    """Random wave of unit size, correlated over `over_s` [s]."""
    steps = rng.normal(size=count + 400)
    width = max(over_s * RATE_HZ, 0.5)
    kernel = np.exp(-0.5 * (np.arange(-int(3 * width) - 1, int(3 * width) + 2) / width) ** 2)
    out = np.convolve(steps, kernel / np.sqrt((kernel**2).sum()), "same")
    return out[200 : 200 + count]


def _snapped(values: Floats, rest: float, snap: float) -> Floats:
    """Values drawn towards rest and towards the furthest value on their side of it."""
    if np.isnan(values).all():
        return values
    away = values - rest
    reach = np.where(away > 0, max(np.nanmax(away), 1.0), max(-np.nanmin(away), 1.0))
    z = np.abs(away) / reach
    return rest + np.sign(away) * reach * ((1 - snap) * z + snap * z * z * (3 - 2 * z))


def _rest(values: Floats) -> float:
    """Level at the start (T,); 0 where nothing is there."""
    return float(np.nanmedian(values[:15])) if np.isfinite(values[:15]).any() else 0.0


def _mirrored(name: str) -> str:
    joint, side = name.rsplit("_", 1)
    return f"{joint}_{'right' if side == 'left' else 'left'}"


def _measured(exact: dict[str, Floats], errors: Errors, rng: np.random.Generator) -> dict[str, Floats]:
    """Exact angles with errors; the legs' errors depend on their own posture and on the other leg's."""
    far = str(rng.choice(SIDES))
    count = len(next(iter(exact.values())))
    out = {}
    for name, value in exact.items():
        pelvic = name in PELVIC_SIGNALS or name == "trunk_curl"
        size = errors.pelvis if pelvic else (errors.far if name.endswith(far) else 1.0)
        gain = 1 + rng.normal(0, errors.pelvis_gain if pelvic else errors.gain)
        rest = _rest(value)
        seen = rest + gain * (value - rest)
        if name not in PELVIC_SIGNALS:
            seen = _snapped(seen, rest, errors.snap)
        if not pelvic:
            other = exact[_mirrored(name)]
            seen = seen + errors.leak * rng.uniform(-1, 1) * np.nan_to_num(other - _rest(other))
        slow = rng.normal(0, errors.bias) + errors.wander * _wave(rng, count, 6.0)
        out[name] = seen + size * (slow + errors.noise * _wave(rng, count, 0.15))
    return _with_gaps(out, errors, rng)


def _with_gaps(values: dict[str, Floats], errors: Errors, rng: np.random.Generator) -> dict[str, Floats]:
    count = len(next(iter(values.values())))
    for _ in range(rng.poisson(errors.gaps * count / RATE_HZ / max(errors.gap_s / 2, 0.1))):
        start, length = int(rng.integers(count)), int(rng.uniform(0.1, 1) * errors.gap_s * RATE_HZ) + 1
        hit = [n for n in values if rng.random() < 0.5]
        for name in hit:
            values[name][start : start + length] = np.nan
    return values


@dataclass(frozen=True, eq=False)
class Performance:
    """What was really done: exact angles (T,) by signal [deg], ankle places (T, 3) [cm], repetitions."""

    exercise: str
    time_s: Floats
    angles: dict[str, Floats]
    places: dict[str, Floats]
    reps: list[Rep]


def perform(exercise: str, seed: int, style: Style = OWN) -> Performance:
    """One set of the exercise, drawn from a seed."""
    rng = np.random.default_rng(seed)
    movement = MOVEMENTS[exercise](stick_body(round(float(rng.uniform(0.9, 1.1)), 1)), rng)
    reps = timeline(movement, rng) if style is OWN else _styled(movement, style, rng)
    time_s = np.arange(0, reps[-1].end + rng.uniform(1.0, 2.0), 1 / RATE_HZ)
    posed = [pose(movement.body, posture_at(movement, reps, float(t))) for t in time_s]
    angles = {
        name: np.array([np.nan if p.angles[name] is None else p.angles[name] for p in posed], float)
        for name in SIGNALS
    }
    places = {f"ankle_{s}": 100 * np.array([p.positions[f"foot_{s}"] for p in posed]) for s in SIDES}
    return Performance(exercise, time_s, angles, places, reps)


def measure(done: Performance, errors: Errors, seed: int) -> tuple[Motion, dict[str, Floats]]:
    """What a chain with these errors reports: the angles, and the ankles' places along the mat (T,) [cm]."""
    rng = np.random.default_rng(seed)
    motion = as_motion(done.time_s, _measured(done.angles, errors, rng), errors)
    wander = [0.4, 0.7]
    places = {
        name: at[:, ALONG_MAT]
        + errors.place_cm
        * (rng.normal() + np.dot(wander, [_wave(rng, len(at), 6.0), _wave(rng, len(at), 0.15)]))
        for name, at in done.places.items()
    }
    return motion, places


def as_motion(time_s: Floats, values: dict[str, Floats], errors: Errors) -> Motion:
    """A record as the measuring chain makes it, with honest half-widths."""
    change = {}
    for name in values:
        scale = errors.pelvis if name in PELVIC_SIGNALS or name == "trunk_curl" else 1.0
        change[name] = 1.96 * 2**0.5 * scale * float(np.hypot(errors.wander, errors.noise))
    total = {name: float(np.hypot(half, 1.96 * errors.bias)) for name, half in change.items()}
    return Motion(time_s, values, total, change, "landmarks")
