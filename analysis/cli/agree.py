"""`matline agree`: verdicts and measures of people beside those of the tool."""

from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape
from rich.table import Table

from analysis.agreement import Agreed, MeasureAgreement, read_ratings
from analysis.agreement import agree as agree_on
from analysis.agreement.agree import Interval
from analysis.cli.console import out
from analysis.cli.further import as_command, output
from analysis.errors import ReportError
from analysis.files import check_writable, whole
from analysis.report import read_json
from analysis.report.words import amount, words


def _agree(
    ratings: Annotated[
        Path, typer.Argument(metavar="RATINGS.csv", help="One line a repetition and rater.", readable=False)
    ],
    reports: Annotated[
        list[Path], typer.Argument(metavar="REPORT", help="Reports written with --json.", readable=False)
    ],
    json: Annotated[Path | None, output("The same as data.")] = None,
) -> None:
    """How far people agree with each other and with the tool on the same repetitions.

    The table has the columns report (the file's name), repetition (its number), rater and verdict (sound,
    borderline or flagged; empty for "cannot tell"), and may have range_deg and other measures of reports.
    """
    if json:
        check_writable(json)
    named = {path.stem: path for path in reports}
    if len(named) < len(reports):
        raise ReportError("Two reports have the same name, so ratings cannot be told apart. Rename one.")
    told = agree_on(read_ratings(ratings), {name: read_json(path) for name, path in named.items()})
    _show(told)
    if json:
        with whole(json) as part:
            part.write_text(told.model_dump_json() + "\n", "utf-8")
        out.print(f"Written: {json}", soft_wrap=True)


def _show(told: Agreed) -> None:
    table = Table(box=None, header_style="dim", pad_edge=False)
    for heading in (
        "Raters",
        "Repetitions",
        "Same verdict",
        "Kappa, flagged or not",
        "Kappa, three verdicts",
    ):
        table.add_column(heading)
    for pair in told.verdicts:
        names = escape(" and ".join(pair.raters))
        share = f"{pair.same_pct:.0f} %"
        table.add_row(names, str(pair.repetitions), share, _number(pair.flagged), _number(pair.verdict))
    out.print(table)
    for measure in told.measures:
        _show_measure(measure)
    out.print(f"\n{told.clips} clip{'s' if told.clips > 1 else ''}. {told.on_intervals}")


def _show_measure(told: MeasureAgreement) -> None:
    name = words()["measure"][told.measure]
    raters = escape(", ".join(told.raters))
    out.print(f"\n[bold]{name}[/], {told.repetitions} repetitions measured by {raters}")
    out.print(f"ICC(2,1), the same values: {_number(told.icc_2_1)}")
    out.print(f"ICC(3,1), the same order: {_number(told.icc_3_1)}")
    for d in told.differences:
        values = (d.bias.value, d.lower, d.upper, d.mean_absolute)
        bias, low, high, absolute = (amount(v, told.unit) for v in values)
        apart = f"{bias} on average, 95 % from {low} to {high}; without sign {absolute}"
        out.print(f"{escape(d.rater)} minus Matline: {apart}")


def _number(told: Interval) -> str:
    if told.value is None:
        return "cannot tell"
    if told.low == told.high:  # the formula gives no width where raters never differ, or one never varies
        why = "never apart" if told.value == 1 else "one gave a single verdict"
        return f"{amount(told.value, '1')} ({why}: no interval)"
    return f"{amount(told.value, '1')} ({amount(told.low, '1')} to {amount(told.high, '1')})"


agree = as_command(_agree)
