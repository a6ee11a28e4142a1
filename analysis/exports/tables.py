"""A report as two tables (CSV, UTF-8, one header line with units; missing is an empty cell)."""

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path

from analysis.files import whole
from analysis.measurement_error import half_width, unit
from analysis.records import Measures, Repetition, Report


def write_csv(report: Report, path: Path | str) -> Path:
    """Write the curves to `path` and the repetitions beside it; returns the second path.

    `toe_tap.csv` gets `toe_tap_repetitions.csv`. Raises ReportError.
    """
    path = Path(path)
    beside = path.with_name(f"{path.stem}_repetitions{path.suffix}")
    _write(path, curves(report))
    _write(beside, repetitions(report))
    return beside


def curves(report: Report) -> Iterable[Sequence[object]]:
    """Rows of the series: the header, then one row a time."""
    names = list(report.series)
    yield [_header(name) for name in names]
    yield from zip(*report.series.values(), strict=True)


def repetitions(report: Report) -> Iterable[Sequence[object]]:
    """Rows of the repetitions; each measure is followed by its 95 % half-width where that is known."""
    measures = [
        m for m in Measures.model_fields if any(_amount(r, m) is not None for r in report.repetitions)
    ]
    columns = [c for m in measures for c in (_header(m), f"{_name(m)} 95 % half-width [{unit(m)}]")]
    fixed = ("repetition", "side", "direction", "complete", "verdict", "start [s]", "turn [s]", "end [s]")
    yield [*fixed, *columns, "findings", "cannot rule out"]
    for r in report.repetitions:
        ends = (r.start_s, r.turn_s, r.end_s)
        amounts = [c for m in measures for c in (_amount(r, m), _half_width(report, r, m))]
        told = (" ".join(f.kind for f in r.findings), " ".join(r.near))
        yield [r.index, r.side, r.direction, r.complete, r.verdict, *ends, *amounts, *told]


def _write(path: Path, rows: Iterable[Sequence[object]]) -> None:
    with whole(path) as part, part.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows)


def _amount(repetition: Repetition, measure: str) -> float | None:
    value: float | None = getattr(repetition.measures, measure)
    return value


def _half_width(report: Report, repetition: Repetition, measure: str) -> float | None:
    if _amount(repetition, measure) is None:
        return None
    half = half_width(report, repetition.side, measure)
    return None if half != half else half  # NaN is not known


def _name(measure: str) -> str:
    """The name without its unit."""
    return measure.removesuffix(f"_{unit(measure)}")


def _header(name: str) -> str:
    """Name and unit of a column; every series but the time is an angle."""
    return f"{_name(name)} [{unit(name)}]" if name in ("time_s", *Measures.model_fields) else f"{name} [deg]"
