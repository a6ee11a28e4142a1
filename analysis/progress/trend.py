"""One measure over the weeks as inline SVG: a line and a 95 % band a side, the ends labelled.

Horizontal positions are shares of the width, as in the curves of a report, so text keeps its size.
Left is a solid line with discs, right a dashed one with diamonds: no meaning rests on colour alone.
"""

from collections.abc import Iterable, Sequence
from html import escape
from typing import Final

from analysis.palette import PALETTE, SHAPES
from analysis.progress.change import day, title
from analysis.progress.sessions import Point, Series, in_time
from analysis.report.words import amount

HEIGHT_PX: Final = 110
ROOM_PX: Final = 20  # above for the labels of values, below for those of days
WIDTH: Final = 1000
EDGE: Final = 0.04  # share of the width kept free at each end, for half a mark
CLOSE_PX: Final = 26  # marks closer than this would share their labels' room


def trend(sides: Sequence[Series]) -> str:
    """SVG text of one measure, one series a side; with a <title> that tells what is drawn."""
    scale = _Scale(sides)
    height = HEIGHT_PX + 2 * ROOM_PX
    return "".join(
        (
            f'<svg class="curve" xmlns="http://www.w3.org/2000/svg" width="100%" height="{height}" ',
            'role="img">',
            f"<title>{escape('; '.join(_title(s) for s in sides))}</title>",
            f'<svg y="{ROOM_PX}" width="100%" height="{HEIGHT_PX}" viewBox="0 0 {WIDTH} {HEIGHT_PX}" ',
            'preserveAspectRatio="none">',
            *(_line(series, scale) for series in sides),
            "</svg>",
            *(part for series in sides for part in _points(series, sides, scale)),
            *_days(scale),
            "</svg>",
        )
    )


class _Scale:
    """Where a point lies: share of the width by day (or by order, undated), pixels by value."""

    def __init__(self, sides: Sequence[Series]) -> None:
        self.points = in_time(p for series in sides for p in series.points)
        self.names = list(dict.fromkeys(p.name for p in self.points))
        self.low = min(_band(p, s)[0] for s in sides for p in s.points)
        self.high = max(_band(p, s)[1] for s in sides for p in s.points)

    def x(self, point: Point) -> float:
        """Share of the width."""
        first, last = self.points[0].at, self.points[-1].at
        if first and last and point.at and last > first:
            share = (point.at - first) / (last - first)
        else:
            share = self.names.index(point.name) / max(1, len(self.names) - 1)
        return EDGE + (1 - 2 * EDGE) * share

    def y(self, value: float) -> float:
        """Pixels below the top of the drawing area."""
        return HEIGHT_PX * (self.high - value) / ((self.high - self.low) or 1.0)


def _title(series: Series) -> str:
    first, last = series.points[0], series.points[-1]
    ends = f"{amount(first.value, series.unit)} to {amount(last.value, series.unit)}"
    return f"{title(series)}: {ends} over {len(series.points)} sessions"


def _band(point: Point, series: Series) -> tuple[float, float]:
    """The ends of a point's 95 % band; a share stays between 0 and 100 %."""
    half = point.half_width or 0.0
    low, high = point.value - half, point.value + half
    return (max(0.0, low), min(100.0, high)) if series.unit == "%" else (low, high)


def _role(series: Series) -> str:
    return "pelvis" if series.side == "both" else series.side


def _line(series: Series, scale: _Scale) -> str:
    role, points = _role(series), series.points
    colour = PALETTE[role][0]
    upper = [(p, _band(p, series)[1]) for p in points]
    lower = [(p, _band(p, series)[0]) for p in reversed(points)]
    dash = ' stroke-dasharray="6 3"' if role == "right" else ""
    band = _path([*upper, *lower], scale)
    return (
        f'<path class="band {role}" d="M{band}Z" fill="{colour}" fill-opacity="0.16"/>'
        f'<path class="line {role}" d="M{_path([(p, p.value) for p in points], scale)}" fill="none" '
        f'stroke="{colour}" stroke-width="2"{dash} vector-effect="non-scaling-stroke"/>'
    )


def _path(corners: Iterable[tuple[Point, float]], scale: _Scale) -> str:
    return "L".join(f"{WIDTH * scale.x(p):.1f},{scale.y(value):.1f}" for p, value in corners)


def _points(series: Series, sides: Sequence[Series], scale: _Scale) -> Iterable[str]:
    """A mark a session; the first and the last carry their value."""
    shape, colour = SHAPES["borderline" if series.side == "right" else "sound"], PALETTE[_role(series)][0]
    for i, point in enumerate(series.points):
        end = 0 if i == 0 else -1
        label = _value(series, end, sides, scale) if point is series.points[end] else ""
        yield (
            f'<svg x="{scale.x(point):.2%}" y="{ROOM_PX + scale.y(point.value):.1f}" overflow="visible">'
            f'<path d="{shape}" fill="{colour}" transform="scale(0.6)"/>{label}</svg>'
        )


def _value(series: Series, end: int, sides: Sequence[Series], scale: _Scale) -> str:
    """The value at an end, inside the drawing; under its mark where the other side's stands close above."""
    y = scale.y(series.points[end].value)
    under = any(0 < y - scale.y(s.points[end].value) < CLOSE_PX for s in sides)
    x, anchor = ("-6", "start") if end == 0 else ("6", "end")
    return _text(amount(series.points[end].value, series.unit), x, 18 if under else -9, anchor)


def _days(scale: _Scale) -> Iterable[str]:
    for point, anchor in ((scale.points[0], "start"), (scale.points[-1], "end")):
        x = "0%" if anchor == "start" else "100%"
        yield _text(day(point.at, point.name), x, HEIGHT_PX + 2 * ROOM_PX - 5, anchor)


def _text(text: str, x: str, y: float, anchor: str = "middle") -> str:
    return (
        f'<text class="quiet" x="{x}" y="{y:.1f}" text-anchor="{anchor}" font-size="11" '
        f'fill="{PALETTE["quiet"][0]}">{escape(text)}</text>'
    )
