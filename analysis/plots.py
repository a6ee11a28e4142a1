"""Angle curves as inline SVG: uncertainty bands, shaded repetitions, findings marked by shape and tag.

A drawing is as wide as its place allows: horizontal positions are shares of the width, so text keeps
its size on a phone and on paper. Colours are set twice: as attributes for readers of SVG alone
(print), and as classes that a page's style sheet may repaint (dark screens).
"""

from collections.abc import Iterable
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from html import escape
from typing import Any, Final

import numpy as np

from analysis.conventions import JOINT_ANGLES, PELVIC_SIGNALS, SIDES, SIGNALS, TRUNK_CURL, joint_signal
from analysis.palette import PALETTE, SHAPES
from analysis.records import Finding, Floats, Repetition, Report, Verdict

PLOT_PX: Final = 120  # height of the drawing area; labels stand above and below
LABEL_PX: Final = 18
WIDTH: Final = 1000  # units across the stretched part
MOST_POINTS: Final = 800  # a curve of a long clip keeps its peaks in so many points
ROOM_FOR_LABEL: Final = 0.035  # a repetition narrower than this share of the width shares its label's room


@dataclass(frozen=True)
class Panel:
    """One drawing: signals that share an axis, and the kinds of finding that belong to it."""

    title: str
    signals: tuple[str, ...]
    kinds: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Tagged:
    """A finding with its tag, and the repetition that it belongs to; None when it is of the set."""

    tag: str
    finding: Finding
    repetition: Repetition | None

    @property
    def verdict(self) -> Verdict:
        """How the finding is to be read, and so the shape that marks it."""
        if self.finding.kind == "not_measurable":
            return "not_measured"
        return "borderline" if self.repetition and self.repetition.verdict == "borderline" else "flagged"


_PELVIC_KINDS: Final = dict(
    zip(PELVIC_SIGNALS, ("pelvis_tilted", "pelvis_hiked", "pelvis_rotated"), strict=True)
)


def panels(report: Report) -> tuple[Panel, ...]:
    """The drawings that the report's series allow: pelvis, trunk, then each joint with both sides.

    Pelvic findings belong to their pelvic signal; all others to the drawing with the largest motion.
    """
    groups: list[tuple[str, ...]] = [(name,) for name in (*PELVIC_SIGNALS, TRUNK_CURL)]
    groups += [tuple(joint_signal(joint, side) for side in SIDES) for joint in JOINT_ANGLES]
    measured = [signals for group in groups if (signals := _measured(report, group))]
    if not measured:
        return ()
    main = max(measured, key=lambda signals: max(_motion(report, name) for name in signals))
    kinds = {mark.finding.kind for mark in tagged(report)}
    drawn = {kind for signals in measured for s in signals if (kind := _PELVIC_KINDS.get(s))}
    return tuple(_panel(signals, kinds - drawn if signals == main else frozenset()) for signals in measured)


def tagged(report: Report) -> tuple[Tagged, ...]:
    """Every finding of the report, tagged F1, F2, ... in order of time; those of the set come last."""
    found = [(f, rep) for rep in report.repetitions for f in rep.findings]
    found.sort(key=lambda pair: float("inf") if pair[0].at_s is None else pair[0].at_s)
    everything = [*found, *((f, None) for f in report.findings)]
    return tuple(Tagged(f"F{i}", f, rep) for i, (f, rep) in enumerate(everything, start=1))


def symbol(verdict: str) -> str:
    """The shape of a verdict as a small SVG of 18 x 18 px, to stand beside its word."""
    return (
        '<svg class="symbol" width="18" height="18" viewBox="-9 -9 18 18" aria-hidden="true">'
        f"{_shape(verdict)}</svg>"
    )


def curve(report: Report, panel: Panel) -> str:
    """One panel as SVG text, `width` 100 %, with a <title> that tells what is drawn."""
    time = _array(report.series["time_s"])
    span = _Span.of(time, [_band(report, name) for name in panel.signals])
    height = PLOT_PX + 2 * LABEL_PX
    return "".join(
        (
            f'<svg class="curve" xmlns="http://www.w3.org/2000/svg" width="100%" height="{height}" ',
            f'role="img" style="overflow:visible"><title>{escape(_title(report, panel))}</title>',
            *_shades(report, span),
            *_grid(span),
            f'<svg y="{LABEL_PX}" width="100%" height="{PLOT_PX}" ',
            f'viewBox="0 0 {WIDTH} {PLOT_PX}" preserveAspectRatio="none">',
            *(_lines(report, name, time, span) for name in panel.signals),
            "</svg>",
            *_marks(report, panel, time, span),
            "</svg>",
        )
    )


# ------------------------------------------------------------------------------------ scales


@dataclass(frozen=True)
class _Span:
    """The drawn range: seconds across, degrees up."""

    end_s: float
    low: float
    high: float

    @staticmethod
    def of(time: Floats, bands: Iterable[tuple[Floats, Floats]]) -> "_Span":
        lows, highs = zip(*((np.nanmin(low), np.nanmax(high)) for low, high in bands), strict=True)
        low, high = float(min(lows)), float(max(highs))
        room = max(5.0 - (high - low) / 2, 0.05 * (high - low))  # at least 10 deg tall: noise stays small
        return _Span(float(time[-1]) or 1.0, low - room, high + room)

    def x(self, time_s: Any) -> Any:
        """Share of the width, of a time or an array of them [s]."""
        return time_s / self.end_s

    def y(self, value: Any) -> Any:
        """Pixels from the top of the drawing area, of a value or an array of them [deg]."""
        return PLOT_PX * (self.high - value) / (self.high - self.low)


def _steps(low: float, high: float, at_most: int) -> list[float]:
    """Round values from low to high, at most so many: multiples of 1, 2 or 5 times a power of ten."""
    rough = (high - low) / at_most
    power = 10.0 ** np.floor(np.log10(rough))
    step = float(next(m * power for m in (1, 2, 5, 10) if m * power >= rough))
    first, last = int(np.ceil(low / step)), int(np.floor(high / step))
    return [i * step for i in range(first, last + 1)]


def _array(values: Iterable[float | None]) -> Floats:
    return np.array(tuple(values), float)  # None becomes NaN


def _measured(report: Report, names: Iterable[str]) -> tuple[str, ...]:
    """Those of the names that hold at least one value."""
    return tuple(n for n in names if any(v is not None for v in report.series.get(n, ())))


def _motion(report: Report, name: str) -> float:
    return float(np.ptp(_array(v for v in report.series[name] if v is not None)))


def _panel(signals: tuple[str, ...], others: AbstractSet[str]) -> Panel:
    label = SIGNALS[signals[0]].label
    title = label if len(signals) == 1 else label.split(",")[0]
    own = {_PELVIC_KINDS[s] for s in signals if s in _PELVIC_KINDS}
    return Panel(title, signals, frozenset(own | others))


def _band(report: Report, name: str) -> tuple[Floats, Floats]:
    value, half = _array(report.series[name]), report.uncertainty_deg.get(name, 0.0)
    return value - half, value + half


# ------------------------------------------------------------------------------------ parts


def _title(report: Report, panel: Panel) -> str:
    """What a reader who cannot see the curve needs: the signals, their range, the repetitions."""
    ranges = []
    for name in panel.signals:
        low, high = (round(end(_array(report.series[name]))) for end in (np.nanmin, np.nanmax))
        doubt = report.uncertainty_deg.get(name, 0.0)
        ranges.append(f"{SIGNALS[name].label} from {low} to {high} degrees, give or take {doubt:.1f}")
    return f"{'; '.join(ranges)}. {len(report.repetitions)} repetitions shaded; the table lists them."


def _style(name: str) -> str:
    """Colour role of a signal: its side, or the pelvis."""
    return next((side for side in SIDES if name.endswith(side)), "pelvis")


def _lines(report: Report, name: str, time: Floats, span: _Span) -> str:
    """Band and line of one signal; broken where it is missing. The right side is dashed."""
    role, (low, high) = _style(name), _band(report, name)
    value = _array(report.series[name])
    dash = ' stroke-dasharray="6 3"' if role == "right" else ""
    colour = PALETTE[role][0]
    parts = []
    for run in _runs(np.isfinite(value)):
        line = _path(time[run], value[run], span)
        there, back = _path(time[run], high[run], span), _path(time[run][::-1], low[run][::-1], span)
        parts.append(f'<path class="band {role}" d="M{there}L{back}Z" fill="{colour}" fill-opacity="0.16"/>')
        parts.append(
            f'<path class="line {role}" d="M{line}" fill="none" stroke="{colour}" stroke-width="2"{dash} '
            'vector-effect="non-scaling-stroke"/>'
        )
    return "".join(parts)


def _runs(there: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> list[slice]:
    """Slices of the unbroken stretches."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], there.astype(np.int8), [0]))))
    return [slice(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _path(time: Floats, value: Floats, span: _Span) -> str:
    keep = _peaks(value)
    points = np.stack([np.asarray(span.x(time[keep])) * WIDTH, np.asarray(span.y(value[keep]))], axis=1)
    return "L".join(["%.1f,%.1f"] * len(points)) % tuple(points.ravel().tolist())  # thousands, so all at once


def _peaks(value: Floats) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Indices that keep every visible peak: the lowest and highest of each stretch of a long curve."""
    if len(value) <= MOST_POINTS:
        return np.arange(len(value))
    width = -(-len(value) // (MOST_POINTS // 2))
    stretches = np.pad(value, (0, -len(value) % width), mode="edge").reshape(-1, width)
    begins, last = np.arange(0, len(value), width), len(value) - 1
    peaks = [np.minimum(begins + find(stretches, axis=1), last) for find in (np.argmin, np.argmax)]
    return np.unique(np.concatenate(([0], *peaks, [last])))


def _shades(report: Report, span: _Span) -> Iterable[str]:
    """A shade and a label a repetition: number and side; labels thin out where room is short."""
    free_from = 0.0
    for rep in report.repetitions:
        left, right = float(span.x(rep.start_s)), float(span.x(rep.end_s))
        yield (
            f'<rect class="shade" x="{left:.2%}" y="{LABEL_PX}" width="{right - left:.2%}" '
            f'height="{PLOT_PX}" fill="{PALETTE["shade"][0]}"/>'
        )
        middle = (left + right) / 2
        if middle - ROOM_FOR_LABEL / 2 >= free_from:
            free_from = middle + ROOM_FOR_LABEL / 2
            side = "" if rep.side == "both" else rep.side[0].upper()
            yield _text(f"{rep.index}{side}", middle, LABEL_PX - 5, "middle")


def _grid(span: _Span) -> Iterable[str]:
    """Lines at round degrees, zero stronger; seconds below."""
    for value in _steps(span.low, span.high, 4):
        y = LABEL_PX + float(span.y(value))
        weight = 1.5 if value == 0 else 0.6
        yield (
            f'<line class="rule" x1="0" x2="100%" y1="{y:.1f}" y2="{y:.1f}" '
            f'stroke="{PALETTE["rule"][0]}" stroke-width="{weight}"/>'
            f'<text class="quiet" x="-6" y="{y + 4:.1f}" text-anchor="end" font-size="11" '
            f'fill="{PALETTE["quiet"][0]}">{value:g}°</text>'.replace(">-", ">\N{MINUS SIGN}")
        )
    for second in _steps(0, span.end_s, 6):
        anchor = "middle" if second else "start"  # clear of the lowest degrees
        yield _text(f"{second:g} s", float(span.x(second)), PLOT_PX + 2 * LABEL_PX - 4, anchor)


def _text(text: str, x: float, y: float, anchor: str) -> str:
    return (
        f'<text class="quiet" x="{x:.2%}" y="{y:.1f}" text-anchor="{anchor}" font-size="11" '
        f'fill="{PALETTE["quiet"][0]}">{escape(text)}</text>'
    )


def _shape(verdict: str, hint: str = "") -> str:
    colour = PALETTE[verdict][0]
    paint = f'fill="{colour}"' if verdict != "not_measured" else f'fill="none" stroke="{colour}"'
    return (
        f'<g class="mark {verdict}"><title>{escape(hint)}</title><path d="{SHAPES[verdict]}" {paint} '
        f'stroke-width="2"/></g>'
    )


def _marks(report: Report, panel: Panel, time: Floats, span: _Span) -> Iterable[str]:
    """Findings of this panel: the verdict's shape at the curve and the tag above it."""
    for mark in tagged(report):
        found = mark.finding
        if found.at_s is None or found.kind not in panel.kinds:
            continue
        y = LABEL_PX + float(span.y(_height(report, panel, mark, time, span.low)))
        label = (
            '<text class="ink" y="-10" text-anchor="middle" font-size="12" font-weight="bold" '
            f'fill="{PALETTE["ink"][0]}">{mark.tag}</text>'
        )
        yield (
            f'<svg x="{span.x(found.at_s):.2%}" y="{max(y, LABEL_PX + 16):.1f}" overflow="visible">'
            f"{_shape(mark.verdict, f'{mark.tag}: {found.message}')}{label}</svg>"
        )


def _height(report: Report, panel: Panel, mark: Tagged, time: Floats, hidden: float) -> float:
    """Where a mark stands [deg]: on the curve of the side that worked, else on the upper one seen."""
    there = {s: np.interp(mark.finding.at_s or 0.0, time, _array(report.series[s])) for s in panel.signals}
    seen = {name: float(value) for name, value in there.items() if np.isfinite(value)}
    side = mark.repetition.side if mark.repetition else "both"
    return next((v for name, v in seen.items() if name.endswith(side)), max(seen.values(), default=hidden))
