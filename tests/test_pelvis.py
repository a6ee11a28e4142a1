"""The pelvis from its sources: signs of each, and which one is believed for which direction."""

from dataclasses import replace

import numpy as np
import pytest
from fake_report import observations
from scipy.spatial.transform import Rotation

from analysis.conventions import PELVIC_SIGNALS
from analysis.pelvis.card import from_card
from analysis.pelvis.measure import choose, from_body, hidden
from analysis.pelvis.motion import Seen
from analysis.records import Floats, Observations, Skeleton

T = 100
TIME_S = np.arange(T) / 12.5
RIGHT, DOWN, AWAY = np.eye(3)
# Mat frame (X anterior, Y cranial, Z right) to camera axes (x right, y down, z away) of a client on the
# back, filmed from the side, head to the right; and with the head to the left.
HEAD_RIGHT = np.column_stack([-DOWN, RIGHT, AWAY])
HEAD_LEFT = np.column_stack([-DOWN, -RIGHT, -AWAY])
SLANTED = Rotation.from_euler("y", 45, degrees=True).as_matrix() @ HEAD_RIGHT
# What is + in each direction, as a turn of the pelvis in the mat frame: the top goes to the front; the right
# side goes up towards the ribs; the left side goes backward.
TURNS = {"pelvic_tilt": ("z", -1), "pelvic_obliquity": ("x", -1), "pelvic_rotation": ("y", 1)}


def course(size_deg: float) -> Floats:
    """Still for 2 s, then out to the size and back (T,) [deg]."""
    return size_deg * np.clip(np.sin((TIME_S - 2) * np.pi / 4), 0, None) * (TIME_S > 2)


def about(axis: str, angles_deg: Floats) -> Rotation:
    return Rotation.from_euler(axis, angles_deg[:, None], degrees=True)


def turns(signal: str, size_deg: float) -> Floats:
    """The pelvis in the mat frame (T, 3, 3)."""
    axis, sign = TURNS[signal]
    return about(axis, sign * course(size_deg)).as_matrix()


def body(pelvis: Floats | None = None) -> Skeleton:
    """A body that lies there, with its pelvis (T, 3, 3)."""
    pelvis = np.tile(np.eye(3), (T, 1, 1)) if pelvis is None else pelvis
    directions = {"pelvis_up": pelvis[:, :, 1], "pelvis_right": pelvis[:, :, 2]}
    widths = {signal: np.full(T, 4.0) for signal in PELVIC_SIGNALS}
    return Skeleton(TIME_S, directions, np.zeros((T, 17, 3)), widths)


def seen_by(camera: Floats, pelvis: Floats, fixed: Rotation | None = None) -> Observations:
    """A card, fixed to the pelvis any way round, as the camera sees it, with small errors stated."""
    fixed = fixed or Rotation.from_euler("xyz", [20, -35, 10], degrees=True)
    cards = camera @ pelvis @ camera.T @ fixed.as_matrix()
    plain = observations(TIME_S, np.full((T, 33, 2), np.nan))
    return replace(
        plain, card_rotation=cards, card_covariance=np.tile(0.01 * np.eye(3), (T, 1, 1)),
        mat_rotation=np.full((T, 3, 3), np.nan),
    )  # fmt: skip


# ------------------------------------------------------------------------------------ the sources


@pytest.mark.parametrize("size_deg", [8.0, -8.0])
@pytest.mark.parametrize(
    "camera", [HEAD_RIGHT, HEAD_LEFT, SLANTED], ids=["head right", "head left", "slanted"]
)
@pytest.mark.parametrize("axis", range(3), ids=PELVIC_SIGNALS)
def test_a_card_shows_each_direction_with_its_sign(axis: int, camera: Floats, size_deg: float) -> None:
    seen = from_card(seen_by(camera, turns(PELVIC_SIGNALS[axis], size_deg)), camera)
    assert seen is not None
    expected = np.zeros((T, 3))
    expected[:, axis] = course(size_deg)
    assert np.nanmax(np.abs(seen.angles - expected)) < 0.5
    assert (seen.half_width_deg < 2.5).all()


def test_a_card_that_is_hardly_seen_is_not_used() -> None:
    seen = seen_by(HEAD_RIGHT, turns("pelvic_tilt", 8.0))
    cards = np.array(seen.card_rotation)
    cards[::3] = cards[1::3] = np.nan
    assert from_card(replace(seen, card_rotation=cards), HEAD_RIGHT) is None
    unsure = np.tile(25.0 * np.eye(3), (T, 1, 1))
    assert from_card(replace(seen, card_covariance=unsure), HEAD_RIGHT) is None


def test_a_card_that_looks_folded_the_other_way_for_seconds_is_not_believed() -> None:
    """Half hidden, it was read 54 deg off in rendered clips, and as sure as ever."""
    seen = seen_by(HEAD_RIGHT, turns("pelvic_tilt", 8.0))
    cards, hidden = np.array(seen.card_rotation), (TIME_S > 4.5) & (TIME_S < 6.0)
    cards[hidden] = cards[hidden] @ Rotation.from_euler("y", 54, degrees=True).as_matrix()
    told = from_card(replace(seen, card_rotation=cards), HEAD_RIGHT)
    assert told is not None
    apart = np.abs(told.angles - np.column_stack([course(8.0), 0 * TIME_S, 0 * TIME_S]))
    assert np.nanmax(apart[~hidden]) < 0.5
    assert np.isnan(told.angles[hidden]).any()
    assert not (apart[hidden] > 5).any()
    assert (told.half_width_deg < 2.6).all()


@pytest.mark.parametrize("size_deg", [8.0, -8.0])
@pytest.mark.parametrize("axis", range(3), ids=PELVIC_SIGNALS)
def test_the_body_shows_each_direction_with_its_sign(axis: int, size_deg: float) -> None:
    seen = from_body(body(turns(PELVIC_SIGNALS[axis], size_deg)))
    assert seen is not None
    assert seen.angles[:, axis] == pytest.approx(course(size_deg), abs=1e-6)
    assert np.abs(np.delete(seen.angles, axis, axis=1)).max() < 1e-6


def test_without_a_body_nothing_is_said() -> None:
    gone = np.full((T, 3, 3), np.nan)
    assert from_body(body(gone)) is None
    assert choose({}).source == "none"
    assert choose({}).values == {}


def test_the_body_says_nothing_sure_of_a_change() -> None:
    """It follows how an exercise usually takes the pelvis along, and misses one that moves on its own."""
    seen = from_body(body())
    assert seen is not None
    assert (seen.change_half_width_deg >= 12.0).all()


# ------------------------------------------------------------------------------------- the choice


def told(value: float, *widths: float) -> Seen:
    """A source that says this of all axes, with its half-widths."""
    return Seen(np.full((T, 3), value), np.array(widths), np.array(widths) / 2)


BLIND = np.inf


@pytest.mark.parametrize(
    ("card", "fabric", "landmarks", "chosen"),
    [
        ((1, 1, 1), (2, BLIND, BLIND), (4, 4, 4), ("card", "card", "card")),
        ((2.9, 2.9, 2.9), (1, BLIND, BLIND), (2, 2, 2), ("card", "card", "card")),  # good is good enough
        ((1, BLIND, 1), (2, BLIND, BLIND), (4, 4, 4), ("card", "landmarks", "card")),
        ((5, 5, 5), (2, BLIND, BLIND), (4, 4, 4), ("fabric", "landmarks", "landmarks")),
        ((6, 6, 6), (5, BLIND, BLIND), (4, 7, 4), ("landmarks", "card", "landmarks")),  # the least bad
    ],
)  # fmt: skip
def test_each_direction_takes_its_best_source(
    card: tuple[float, ...], fabric: tuple[float, ...], landmarks: tuple[float, ...], chosen: tuple[str, ...]
) -> None:
    sources = {"card": told(1, *card), "fabric": told(2, *fabric), "landmarks": told(3, *landmarks)}
    made = choose(sources)  # type: ignore[arg-type]
    assert tuple(made.sources[s] for s in PELVIC_SIGNALS) == chosen
    assert made.source == next(s for s in sources if s in chosen)
    for axis, signal in enumerate(PELVIC_SIGNALS):
        best = sources[chosen[axis]]
        assert (made.values[signal] == best.angles[:, axis]).all()
        assert made.uncertainty_deg[signal] == best.half_width_deg[axis]
        assert made.change_uncertainty_deg[signal] == best.change_half_width_deg[axis]


def test_a_direction_that_nobody_sees_is_left_out() -> None:
    made = choose({"fabric": told(1, 2.0, BLIND, BLIND)})
    assert list(made.values) == ["pelvic_tilt"]
    assert made.source == "fabric"


def test_moments_that_the_source_missed_do_not_make_the_hips_jump() -> None:
    tilt = course(10.0)
    card = np.tile(tilt[:, None], 3)
    card[40:60] = np.nan
    body_says = Seen(0.8 * np.tile(tilt[:, None], 3), np.full(3, 4.0), np.full(3, 12.0))
    sources = {"card": Seen(card, np.ones(3), np.ones(3)), "landmarks": body_says}
    made = choose(sources)  # type: ignore[arg-type]
    assert np.isnan(made.values["pelvic_tilt"][40:60]).all()
    bridged = made.bridged["pelvic_tilt"]
    assert np.isfinite(bridged).all()
    assert np.abs(np.diff(bridged)).max() < 1.5 * np.abs(np.diff(tilt)).max()
    assert bridged == pytest.approx(tilt, abs=1.5)


def test_what_cloth_hides_is_stated_as_uncertain() -> None:
    told = Seen(np.zeros((T, 3)), np.full(3, 1.0), np.full(3, 2.0), np.full((T, 3), 0.5))
    less = hidden(told, ["pelvic_rotation"])
    assert less is not None
    assert less.change_half_width_deg.tolist() == [2.0, 2.0, 12.0]
    assert less.half_width_deg.tolist() == [1.0] * 3
    assert less.overstated_deg is told.overstated_deg
    assert hidden(told, []) is told
    assert hidden(None, ["pelvic_rotation"]) is None
