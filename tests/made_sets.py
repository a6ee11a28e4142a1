"""Sets made by hand: every signal follows the course of the repetitions exactly, so that all is known."""

import numpy as np

from analysis import exercises, findings
from analysis.conventions import PELVIC_SIGNALS, SIDES
from analysis.exercises import Prescription
from analysis.findings import Judged
from analysis.records import Floats, Motion, Repetition
from analysis.repetitions import Span, course

RATE_HZ, REST_S, PHASE_S, HOLD_S, PAUSE_S = 12.5, 2.0, 2.0, 0.8, 1.2
STATED_DEG = 2.0  # two-sided 95 % half-width of a change
DOUBT_DEG = STATED_DEG * 1.645 / 1.96  # one-sided: the value is not closer to rest
ODD = 3  # the repetition that differs


def spans(
    count: int = 6, phase_s: float = PHASE_S, hold_s: float = HOLD_S, sides: tuple[str, ...] = SIDES
) -> list[Span]:
    """Repetitions one after the other, sides in turn."""
    each = 2 * phase_s + hold_s + PAUSE_S
    return [
        Span(
            side=sides[i % len(sides)],  # type: ignore[arg-type]
            start_s=(start := REST_S + i * each), arrive_s=start + phase_s, leave_s=start + phase_s + hold_s,
            end_s=start + 2 * phase_s + hold_s, height=40.0, measured=1.0,
        )
        for i in range(count)
    ]  # fmt: skip


def times(done: list[Span]) -> Floats:
    return np.arange(0, done[-1].end_s + REST_S, 1 / RATE_HZ)


def followed(done: list[Span], heights: dict[int, float], side: str | None = None) -> Floats:
    """A signal (T,) that follows each repetition of the side to its height [deg], by its place in the set."""
    t = times(done)
    moved = [
        heights.get(i, heights[-1]) * course.progress(t, s)
        for i, s in enumerate(done)
        if side in (None, s.side)
    ]
    return np.sum(moved, axis=0)


def motion(done: list[Span], values: dict[str, Floats]) -> Motion:
    """These signals; the pelvis still and all else at 0."""
    zero = np.zeros_like(times(done))
    signals = dict.fromkeys([*PELVIC_SIGNALS, "trunk_curl"], zero)
    signals |= {
        f"{joint}_{s}": zero for joint in ("hip_flexion", "hip_abduction", "knee_flexion") for s in SIDES
    }
    stated = dict.fromkeys(signals, STATED_DEG)
    return Motion(times(done), signals | values, stated, stated, "card")


def kinds(rep: Repetition) -> list[str]:
    return [f.kind for f in rep.findings]


def tells(judged: Judged, kind: str) -> str:
    """What is said of the odd repetition; the others are sound, and nothing else is found in it."""
    others = [r for r in judged.repetitions if r.index != ODD + 1]
    assert [r.verdict for r in others] == ["sound"] * len(others)
    odd = judged.repetitions[ODD]
    assert kinds(odd) in ([], [kind])
    assert (odd.verdict == "flagged") == (kinds(odd) == [kind])
    return odd.verdict


def toe_taps(
    done: list[Span],
    values: dict[str, Floats],
    prescription: Prescription | None = None,
    usual_cm: float = -25.0,
    **places: Floats,
) -> Judged:
    """A set of toe taps of 40 deg, with other signals on top; places count from the usual one."""
    knees = {f"knee_flexion_{s}": 100 - followed(done, {-1: 40.0}, s) for s in SIDES}
    off = {f"ankle_{s}": np.zeros(len(times(done))) for s in SIDES} | places
    at = {name: usual_cm + cm for name, cm in off.items()}
    return findings.judge(done, motion(done, knees | values), exercises.load("toe_tap"), prescription, at)
