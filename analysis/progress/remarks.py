"""What stands out over several sessions, in plain words; nothing is said from one session.

Each remark states what was seen and leaves the reason open.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from itertools import pairwise
from statistics import median
from typing import Literal

from analysis import cautions
from analysis.progress import limits
from analysis.progress.change import Change, change, day, differs, mean_point, title, written
from analysis.progress.proposals import pain_rose
from analysis.progress.sessions import Point, Series, Session
from analysis.records import Record, RepetitionSide
from analysis.report.words import amount, words
from analysis.statistics import change_limit

Kind = Literal[
    "warning_sign", "missed_practice", "one_session", "plateau", "side_behind", "side_missing",
    "pain_with_range", "pain_rising", "filmed_differently", "unusable",
]  # fmt: skip


class Remark(Record):
    """One sentence that a person should see, and what it is about."""

    kind: Kind
    text: str
    side: RepetitionSide | None = None


def of_exercise(
    sessions: Sequence[Session], series: Sequence[Series], changes: Sequence[Change]
) -> tuple[Remark, ...]:
    """Remarks on one exercise, from its sessions in order."""
    if len(sessions) < 2:
        return (Remark(kind="one_session", text="One session so far: nothing can be said about change."),)
    return (
        *_pain(sessions, changes),
        *_side_behind(changes),
        *(remark for s in series if (remark := _plateau(s))),
        *_missing_side(sessions[-1], series),
        *_filmed_differently(sessions),
        *_unusable(sessions),
    )


def warning_signs(signs: Sequence[cautions.WarningSign]) -> Iterable[Remark]:
    """One remark a warning sign that is still open: whom to contact."""
    for sign in signs:
        yield Remark(kind="warning_sign", text=f"Reported: “{sign.question}” {sign.contact}")


def missed_practice(sessions: Sequence[Session], today: datetime | None) -> Iterable[Remark]:
    """Pauses between practice days, of any exercise, far longer than the client's usual one.

    A pause that reaches up to `today` counts too.
    """
    days = sorted({s.at.date() for s in sessions if s.at})
    pauses = [(b - a).days for a, b in pairwise(days)]
    if len(pauses) < 2:
        return
    rule, usual = limits.load().missed, median(pauses)
    ends = [*days, today.date()] if today else days
    for a, b in pairwise(ends):
        if (b - a).days > max(rule.days, rule.times * usual):
            span = f"for {(b - a).days} days, from {written(a)} to {written(b)}"
            text = f"No practice {span}; usually it is every {usual:g} days."
            yield Remark(kind="missed_practice", text=text)


def _pain(sessions: Sequence[Session], changes: Sequence[Change]) -> Iterable[Remark]:
    """Pain after practice: risen over the weeks, with or without range; risen during the last session."""
    notes = sessions[-1].report.session
    told = [p for s in sessions if (p := s.report.session.pain_after) is not None]
    if len(told) >= 2 and told[-1] - told[0] >= cautions.load().pain.change_points:
        risen = f"Pain after practice rose from {told[0]} to {told[-1]} of 10"
        if any(c.measure == "range_deg" and c.real and c.difference > 0 for c in changes):
            text = f"{risen} while the range grew. Ask about it; the smaller range may suit better."
            yield Remark(kind="pain_with_range", text=text)
        else:
            yield Remark(kind="pain_rising", text=f"{risen}. Ask about it before the next session.")
    if pain_rose(sessions[-1].report):
        text = f"Pain rose from {notes.pain_before} to {notes.pain_after} of 10 during the last session."
        yield Remark(kind="pain_rising", text=text)


def _side_behind(changes: Sequence[Change]) -> Iterable[Remark]:
    """A side whose range fell behind: the sides are apart by more than the error, and more than at first.

    Between the same ends as the changes that are told beside it.
    """
    by_side = {c.side: c for c in changes if c.measure == "range_deg"}
    if "left" not in by_side or "right" not in by_side:
        return
    left, right = by_side["left"], by_side["right"]
    before, now = right.first.value - left.first.value, right.last.value - left.last.value
    limit = _joint_limit([left.first, right.first, left.last, right.last])
    grown = limit is not None and abs(now - before) > limit and abs(now) > abs(before)
    if grown and differs(left.last, right.last):
        side: RepetitionSide = "left" if now > 0 else "right"
        apart = f"its range is {amount(abs(now))} less than the other side's"
        text = f"The {side} side falls behind: {apart}; at first they were {amount(abs(before))} apart."
        yield Remark(kind="side_behind", text=text, side=side)


def _joint_limit(points: Iterable[Point]) -> float | None:
    """Detectable change of a difference between differences; None where a half-width is unknown."""
    total = 0.0
    for point in points:
        if point.half_width is None:
            return None
        total = change_limit(total, point.half_width)
    return total


def _plateau(series: Series) -> Remark | None:
    """The latest sessions stayed together, over enough sessions and days; all sound is no plateau."""
    rule = limits.load().plateau
    still = _still(series) if limits.load().measure[series.measure].plateau else ()
    if len(still) < rule.sessions or (series.unit == "%" and still[-1].value >= 100):
        return None
    first, last = still[0].at, still[-1].at
    if first is None or last is None or (last - first).days < rule.days:
        return None
    level, moved = mean_point(still).value, change(series.model_copy(update={"points": still}))
    if moved is None or abs(moved.difference) > rule.drift * abs(level):
        return None
    told = amount(level, series.unit)
    text = f"{title(series)} has stayed about {told} since {written(first)}, over {len(still)} sessions"
    return Remark(kind="plateau", text=f"{text}: no change beyond the error.", side=series.side)


def _still(series: Series) -> Sequence[Point]:
    """The latest points that stay level: it began where two in a row before it differ from its mean.

    One odd session does not end it. Empty where an error is unknown, and where a real change is told that
    came in small steps the same way: then they are no level, only too close to each other to tell apart.
    """
    points = series.points
    if any(p.half_width is None for p in points):
        return ()
    start = len(points) - 1
    while start > 0:
        level = mean_point(points[start:])
        if all(differs(level, p) for p in points[max(0, start - 2) : start]):
            break
        start -= 1
    crept = _real(series) and (start == 0 or not differs(points[start - 1], points[start]))
    return () if crept or _real(series, start) else points[start:]


def _real(series: Series, start: int = 0) -> bool:
    """Whether the change from that point on is told as a real one."""
    told = change(series.model_copy(update={"points": series.points[start:]}))
    return bool(told and told.real)


def _missing_side(last: Session, series: Sequence[Series]) -> Iterable[Remark]:
    """One side was measured and the other never, or not in the last session."""
    seen = {s.side for s in series if s.side != "both"}
    now = {s.side for s in series if s.side in seen and any(p.name == last.name for p in s.points)}
    if len(seen) == 1:
        yield Remark(kind="side_missing", text=f"Only the {next(iter(seen))} side was measured.")
    elif len(now) == 1 and len(seen) == 2:
        (missing,) = seen - now
        text = f"The last session shows nothing of the {missing} side, so its newest figures are older."
        yield Remark(kind="side_missing", text=text, side=missing)


def _filmed_differently(sessions: Sequence[Session]) -> Iterable[Remark]:
    first, last = sessions[0].report, sessions[-1].report
    if first.capture.view != last.capture.view:
        seen = words()["view"]
        text = f"The first clip was filmed {seen[first.capture.view]}, the last {seen[last.capture.view]}."
        yield Remark(kind="filmed_differently", text=f"{text} Film from the same place to compare surely.")
    if first.pelvis_source != last.pelvis_source:
        text = f"The pelvis was followed by {first.pelvis_source} at first, by {last.pelvis_source} at last."
        yield Remark(kind="filmed_differently", text=f"{text} Compare its numbers with care.")


def _unusable(sessions: Sequence[Session]) -> Iterable[Remark]:
    names = [day(s.at, s.name) for s in sessions if not s.report.capture.usable]
    if names:
        yield Remark(kind="unusable", text=f"Clips that could not be measured: {', '.join(names)}.")
