"""Plain words of the report page; the texts are data, in `words.toml`."""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any, Final

from analysis import exercises
from analysis.conventions import PELVIC_SIGNALS, SIGNALS
from analysis.records import Finding, Repetition, Report

NBSP: Final = "\N{NO-BREAK SPACE}"
_SHOWN: Final = {
    "deg": (1, "°"),
    "s": (2, f"{NBSP}s"),
    "share": (0, f"{NBSP}%"),
    "%": (0, f"{NBSP}%"),
    "1": (2, ""),
}

# Faults that a borderline repetition may have; more say that the clip shows too little.
_MOST_LISTED: Final = 4
# Half-width [deg] of an axis of the pelvis that one card leaves in a bridge, and both cards together do not.
_ONE_CARD_DEG: Final = 1.5


@cache
def words() -> dict[str, Any]:
    """The texts by topic."""
    return tomllib.loads(files("analysis.report").joinpath("words.toml").read_text("utf-8"))


def amount(value: float | None, unit: str = "deg") -> str:
    """A value for people, such as "8.2°" or "0.62 s", a share as percent; a dash where it is missing."""
    if value is None:
        return "–"
    digits, name = _SHOWN.get(unit, (1, NBSP + unit))
    shown = round(value * 100 if unit == "share" else value, digits) + 0.0  # no minus before a zero
    return f"{shown:.{digits}f}{name}".replace("-", "\N{MINUS SIGN}")


def moment(seconds: float) -> str:
    """A time in the clip as people read it: "7.4 s", from a minute on "2:07.4"."""
    minutes, rest = divmod(round(seconds, 1), 60)
    return f"{int(minutes)}:{rest:04.1f}" if minutes else f"{rest:.1f}{NBSP}s"


def span(start_s: float, end_s: float) -> str:
    """A stretch of the clip: "2.0–6.4 s"."""
    start, end = moment(start_s), moment(end_s)
    return f"{start.removesuffix(f'{NBSP}s')}–{end}" if end.endswith("s") else f"{start}–{end}"


def name_of(rep: Repetition) -> str:
    """A repetition as people call it, such as "3 left, unfinished"."""
    side = "" if rep.side == "both" else f" {rep.side}"
    more = [rep.direction] if rep.direction else []
    return ", ".join((f"{rep.index}{side}", *more, *([] if rep.complete else ["unfinished"])))


def near(rep: Repetition) -> str:
    """What a borderline repetition may be, such as "cannot rule out: rushed"; else empty."""
    if len(rep.near) > _MOST_LISTED:
        return "cannot rule out most faults"
    kinds = ", ".join(kind.replace("_", " ") for kind in rep.near)
    return f"cannot rule out: {kinds}" if kinds else ""


def numbers(found: Finding) -> str:
    """Value, uncertainty and limit of a finding, such as "8.2° ± 1.4°; limit 5.0°"; empty without a value."""
    if found.value is None:
        return ""
    give = "" if found.uncertainty is None else f" ± {amount(found.uncertainty, found.unit)}"
    limit = "" if found.limit is None else f"; limit {amount(found.limit, found.unit)}"
    return f"{amount(found.value, found.unit)}{give}{limit}"


def told(found: Finding) -> str:
    """A finding's message, which names value and limit, with how uncertain the value is."""
    if found.value is None or found.uncertainty is None:
        return found.message
    return f"{found.message} Uncertain by {amount(found.uncertainty, found.unit)}."


def tally(report: Report) -> str:
    """One sentence that counts the repetitions, by side and by verdict."""
    repetitions = report.repetitions
    if not repetitions:
        return "No repetition was found in this clip."
    named = words()["verdict"]
    counts = [(named[v], sum(rep.verdict == v for rep in repetitions)) for v in named]
    verdicts = ", ".join(f"{n} {name}" for name, n in counts if n)
    sides = [(side, sum(rep.side == side for rep in repetitions)) for side in ("left", "right")]
    by_side = ", ".join(f"{n} {side}" for side, n in sides if n)
    number = f"{len(repetitions)} repetition{'s' if len(repetitions) > 1 else ''}"
    return f"{number}{f' ({by_side})' if by_side else ''}: {verdicts}."


def cues(report: Report) -> tuple[str, ...]:
    """What to change in the movement, each advice once, the most frequent first."""
    said = [f.cue for f in _findings(report) if f.kind != "not_measurable"]
    return tuple(sorted({cue for cue in said if cue}, key=lambda cue: (-said.count(cue), said.index(cue))))


def trust(report: Report) -> list[dict[str, Any]]:
    """The entries on what can be trusted that concern this report, each with its half-widths in words."""
    return [
        entry | {"half_widths": _half_widths(report, entry)}
        for entry in words()["trust"]
        if _concerns(report, entry)
    ]


def title(report: Report) -> str:
    """Name of the exercise for people; also of one that this version does not know."""
    known = report.exercise in exercises.names()
    return exercises.load(report.exercise).title if known else report.exercise.replace("_", " ").capitalize()


def better(report: Report) -> tuple[str, ...]:
    """What to show next time, and what the recommended view, another view or a card would add."""
    told, view = words(), report.capture.view
    hints = [f.cue for f in _findings(report) if f.kind == "not_measurable"]
    worn = report.pelvis_source == "card" or any(p.kind == "card_hidden" for p in report.capture.problems)
    if not worn or (report.pelvis_source == "card" and _widest_pelvis(report) > _ONE_CARD_DEG):
        hints.append(told["better_pelvis"][report.pelvis_source])
    hints.append(told["better_view"][view])
    if report.exercise in exercises.names():
        exercise = exercises.load(report.exercise)
        if view not in exercise.views:
            hints.insert(
                0, f"This exercise is measured best {told['view'][exercise.views[0]]}. {exercise.phone}"
            )
    return tuple(dict.fromkeys(hint for hint in hints if hint))


def _widest_pelvis(report: Report) -> float:
    """The largest half-width of the pelvis's signals [deg]; 0 without any."""
    return max((half for name, half in report.uncertainty_deg.items() if name in PELVIC_SIGNALS), default=0.0)


def _findings(report: Report) -> list[Finding]:
    return [*(f for rep in report.repetitions for f in rep.findings), *report.findings]


def _concerns(report: Report, entry: dict[str, Any]) -> bool:
    if "pelvis" in entry:
        return bool(entry["pelvis"] == report.pelvis_source)
    if "signals" in entry:
        return any(name.startswith(tuple(entry["signals"])) for name in report.series)
    return bool(getattr(report, entry["needs"]))


def _half_widths(report: Report, entry: dict[str, Any]) -> str:
    """Such as "hip flexion ± 10.3° left, ± 11.3° right; hip abduction ± 6.4° left"."""
    starts = ("pelvic",) if "pelvis" in entry else tuple(entry.get("signals", ()))
    by_angle: dict[str, list[str]] = {}
    for name, half in report.uncertainty_deg.items():
        if starts and name.startswith(starts):
            angle, _, side = SIGNALS[name].label.lower().partition(", ")
            by_angle.setdefault(angle, []).append(f"±{NBSP}{amount(half)} {side}".rstrip())
    return "; ".join(f"{angle} {', '.join(halves)}" for angle, halves in by_angle.items())
