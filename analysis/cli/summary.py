"""A report on the terminal: what limits the clip, repetitions, sides, advice, and its cautions."""

from rich.markup import escape
from rich.table import Table

from analysis import cautions
from analysis.cli.console import SIGNS, out
from analysis.measurement_error import unit
from analysis.plots import tagged
from analysis.records import Measures, Report
from analysis.report.words import (
    amount,
    better,
    cues,
    moment,
    name_of,
    near,
    span,
    tally,
    title,
    told,
    words,
)


def show(report: Report) -> None:
    """Print the report."""
    out.print(f"\n[bold]{escape(title(report))}[/], filmed {words()['view'][report.capture.view]}")
    _problems(report)
    out.print(f"\n{tally(report)}")
    if report.repetitions:
        out.print(_repetitions(report))
    _findings(report)
    _sides(report)
    _withheld(report) if report.session.warning_signs else _advice(report)
    _cautions(report)


def _problems(report: Report) -> None:
    withheld = report.session.warning_signs
    if not report.capture.usable:
        again = "" if withheld else " Film again as told here:"
        out.print(f"\n[bold red]This clip cannot answer.[/]{again}")
    for problem in report.capture.problems:
        out.print(f"• {escape(problem.message)} {'' if withheld else escape(problem.advice)}")


def _repetitions(report: Report) -> Table:
    named = [m for m in Measures.model_fields if m != "smoothness"]  # means something only beside another set
    shown = [m for m in named if any(getattr(r.measures, m) is not None for r in report.repetitions)]
    table = Table(box=None, header_style="dim", pad_edge=False)
    for heading in ("", "When", *(words()["measure"][m] for m in shown), "Verdict", ""):
        table.add_column(heading, no_wrap=heading in {"When", "Verdict"})
    tags = {
        rep.index: " ".join(m.tag for m in tagged(report) if m.repetition == rep)
        for rep in report.repetitions
    }
    for rep in report.repetitions:
        measures = [amount(getattr(rep.measures, m), unit(m)) for m in shown]
        verdict = SIGNS[rep.verdict].format(words()["verdict"][rep.verdict])
        why = tags[rep.index] or near(rep)
        table.add_row(name_of(rep), span(rep.start_s, rep.end_s), *measures, verdict, why)
    return table


def _findings(report: Report) -> None:
    for mark in tagged(report):
        at = "" if mark.finding.at_s is None else f" at {moment(mark.finding.at_s)}"
        out.print(f"[bold]{mark.tag}[/]{at}: {escape(told(mark.finding))}")


def _sides(report: Report) -> None:
    for name, s in report.sides.items():
        told = "beyond" if s.beyond_error else "within"
        left, right, apart = (amount(value, unit(name)) for value in (s.left, s.right, s.difference))
        sides = f"left {left}, right {right}"
        difference = f"difference {apart}, {told} the measurement error"
        out.print(f"{words()['measure'].get(name, name)}: {sides}, {difference}")


def _withheld(report: Report) -> None:
    out.print(f"\n[bold red]Warning sign.[/] {cautions.load().advice_withheld.text}")
    for sign in cautions.referrals(report.session.warning_signs):
        out.print(f"• [bold]{escape(sign.contact)}[/] Reported: {escape(sign.question)}")


def _advice(report: Report) -> None:
    for heading, lines in (
        ("What to change, if it does not hurt", cues(report)),
        ("A better view", better(report)),
    ):
        if lines:
            out.print(f"\n[bold]{heading}[/]")
            for line in lines:
                out.print(f"• {escape(line)}")


def _cautions(report: Report) -> None:
    out.print("\n[bold]Before you use this[/]")
    for caution in report.cautions:
        out.print(f"• {escape(caution.text)}")
