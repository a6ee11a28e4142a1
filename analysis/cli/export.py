"""`matline export`: a stored report in the formats of others."""

from pathlib import Path
from typing import Annotated

import typer

from analysis import exports
from analysis.cli.console import out
from analysis.cli.further import as_command, output
from analysis.errors import ReportError
from analysis.exports.fhir import Acceptance
from analysis.files import check_outputs
from analysis.records import Report
from analysis.report import read_json, write_pdf


def _export(
    report: Annotated[
        Path, typer.Argument(metavar="REPORT", help="A report written with --json.", readable=False)
    ],
    csv: Annotated[Path | None, output("Curves, and repetitions beside them.")] = None,
    c3d: Annotated[Path | None, output("Angle curves for motion software.")] = None,
    pdf: Annotated[Path | None, output("The report for the notes.")] = None,
    fhir: Annotated[Path | None, output("HL7 FHIR R4 bundle.")] = None,
    client: Annotated[
        str | None,
        typer.Option(metavar="PSEUDONYM", help="Whom the bundle is about, if the report does not say."),
    ] = None,
    accepted_by: Annotated[
        str | None,
        typer.Option(
            metavar="PERSON", help="Who looked at the report and accepts it; else it is preliminary."
        ),
    ] = None,
    full_range: Annotated[
        bool, typer.Option("--full-range", help="The client was asked to bend the knee as far as it goes.")
    ] = False,
) -> None:
    """Write a stored report as tables, a motion file, a PDF or a health record."""
    told = read_json(report)
    written = [path for path in (c3d, pdf, fhir) if path]
    if not (written or csv):
        raise typer.BadParameter("Say what to write: --csv, --c3d, --pdf or --fhir.")
    check_outputs([*written, *filter(None, [csv])], report)
    if c3d:
        exports.c3d_library()  # told before anything is written
    if fhir:
        _write_fhir(told, fhir, client or told.session.client, accepted_by, full_range)
    if csv:
        written += [csv, exports.write_csv(told, csv)]
    if c3d:
        exports.write_c3d(told, c3d)
    if pdf:
        write_pdf(told, pdf)
    for path in written:
        out.print(f"Written: {path}", soft_wrap=True)


def _write_fhir(
    told: Report, path: Path, client: str | None, accepted_by: str | None, full_range: bool
) -> None:
    if not client:
        raise ReportError("A health record needs to say whom it is about: add --client with a pseudonym.")
    accepted = Acceptance(by=accepted_by) if accepted_by else None
    exports.write_fhir(told, path, client, accepted=accepted, full_range=full_range)


export = as_command(_export)
