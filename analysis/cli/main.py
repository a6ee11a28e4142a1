"""The commands, and how their errors end."""

import signal
import sys
from datetime import datetime
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated, Any

import typer

from analysis.cli import console
from analysis.cli.further import day
from analysis.errors import MatlineError

HELP = """
Measures floor exercise from a phone clip.

Matline finds every repetition, its side, tempo and range, and whether the pelvis stayed still. Each \
number comes with its uncertainty, and it says when the clip cannot tell. It measures movement; it does \
not diagnose. Nothing leaves this machine.

Start with "matline exercises" to see how to place the phone, or with "matline demo".
"""

EXIT_CODES = """
Exit codes: 0 done; 1 other error; 2 wrong command or unknown exercise; 3 the clip cannot be read; \
4 a data file is wrong; 5 a report cannot be read or written; 6 the card cannot be made; \
7 the clip was read but cannot answer, the report says why; 130 interrupted, nothing half-written left.
"""

INTERRUPTED = 130

app = typer.Typer(
    help=HELP,
    epilog=EXIT_CODES,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,  # it would print what the program holds: health information
)


def _file(text: str) -> Any:
    return typer.Option(metavar="FILE", help=text, show_default=False, readable=False)


PASS_ON: dict[str, Any] = {
    "context_settings": {"allow_extra_args": True, "ignore_unknown_options": True, "help_option_names": []},
    "add_help_option": False,
}


def _session(text: str, kind: str, **rules: Any) -> Any:
    return typer.Option(metavar=kind, help=text, show_default=False, rich_help_panel="The session", **rules)


@app.command()
def check(
    clip: Annotated[
        Path,
        typer.Argument(
            metavar="CLIP", help="The video, as the phone made it.", show_default=False, readable=False
        ),
    ],
    exercise: Annotated[
        str, typer.Option(metavar="NAME", help="Which exercise it shows.", show_default=False)
    ],
    side: Annotated[
        str | None, typer.Option(metavar="left|right", help="The working side, where a clip shows one only.")
    ] = None,
    json: Annotated[Path | None, _file("The report as data, for programs and for later comparison.")] = None,
    html: Annotated[Path | None, _file("The report as a page for screen, phone and paper.")] = None,
    pdf: Annotated[Path | None, _file("The same page as a PDF.")] = None,
    csv: Annotated[Path | None, _file("Curves and repetitions as tables.")] = None,
    c3d: Annotated[Path | None, _file("Joints and angles, for movement laboratories.")] = None,
    fhir: Annotated[Path | None, _file("Measures as an HL7 FHIR R4 bundle, for health records.")] = None,
    video: Annotated[Path | None, _file("The clip with skeleton, repetitions and findings drawn.")] = None,
    client: Annotated[str | None, _session("A pseudonym, never a name.", "WORD")] = None,
    date: Annotated[datetime | None, _session("When it was filmed.", "YYYY-MM-DD", parser=day)] = None,
    pain_before: Annotated[
        int | None, _session("Pain before, 0 (none) to 10; strong pain withholds advice.", "N", min=0, max=10)
    ] = None,
    pain_after: Annotated[int | None, _session("Pain after, 0 (none) to 10.", "N", min=0, max=10)] = None,
    warning_sign: Annotated[
        list[str] | None,
        _session(
            "A warning sign the client reported, such as leg_weakness; “list” lists them. May be repeated.",
            "KIND",
        ),
    ] = None,
    own_range: Annotated[
        Path | None,
        _session("A report (JSON) of pelvic_tilt: tilts are told as a share of that range, too.", "FILE"),
    ] = None,
    fast: Annotated[bool, typer.Option("--fast", help="A smaller, quicker model; less exact.")] = False,
    show_face: Annotated[
        bool, typer.Option("--show-face", help="Leave the face unblurred in pictures.")
    ] = False,
) -> None:
    """Measure a clip: repetitions, findings, left against right; to the screen and to files."""
    from analysis.cli import check as work

    outputs = work.Outputs(json=json, html=html, pdf=pdf, csv=csv, c3d=c3d, fhir=fhir, video=video)
    session = work.notes(client, date, pain_before, pain_after, warning_sign or (), own_range)
    work.run(clip, exercise, side, outputs, session=session, fast=fast, show_face=show_face)


@app.command()
def exercises(
    name: Annotated[str | None, typer.Argument(metavar="NAME", help="Tell about this one.")] = None,
) -> None:
    """List the exercises, or tell about one: how to place the phone, what is measured, targets, sources."""
    from analysis.cli import catalogue

    catalogue.show(name)


@app.command()
def demo(
    folder: Annotated[Path, typer.Option(metavar="FOLDER", help="Where to put the results.")] = Path(
        "matline-demo"
    ),
    fast: Annotated[bool, typer.Option("--fast", help="A smaller, quicker model; less exact.")] = False,
    serve: Annotated[
        bool,
        typer.Option("--serve", help="Serve an invented practice instead, with its data there."),
    ] = False,
) -> None:
    """Measure a sample clip and write its report, page and annotated video."""
    from analysis.cli.demo import run_demo

    if serve:
        _run_further("service.command:serve", ["--demo", "--data", str(folder / "practice")], "matline serve")
    else:
        run_demo(folder, fast=fast)


@app.command()
def card(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The PDF to make.")] = Path("matline-card.pdf"),
    paper: Annotated[str, typer.Option(metavar="A4|Letter", help="The paper in your printer.")] = "A4",
) -> None:
    """Make the printable cards that let the pelvis be measured in three directions."""
    from analysis.card import write_pdf
    from analysis.files import check_writable

    check_writable(file)
    write_pdf(file, paper)
    console.out.print(f"Written: {file}. Print at 100 %, and check the scale bar with a ruler.")


# Commands of their own modules: shown where the module is there, imported when they run.
FURTHER = (
    ("compare", "analysis.cli.sessions:compare", "Compare reports of two or more sessions of an exercise."),
    ("progress", "analysis.cli.sessions:progress", "Follow a client's reports in a folder over weeks."),
    ("agree", "analysis.cli.agree:agree", "How far verdicts agree with ratings by people."),
    ("export", "analysis.cli.export:export", "Write a stored report as CSV, C3D, PDF or HL7 FHIR."),
    ("serve", "service.command:serve", "Open the pages for coach, client and physio in a browser."),
)


def _register(name: str, target: str, text: str) -> None:
    if find_spec(target.partition(":")[0]) is None:
        return

    def run(ctx: typer.Context) -> None:
        _run_further(target, ctx.args, ctx.command_path)

    app.command(name, help=text, **PASS_ON)(run)


def _run_further(target: str, args: list[str], name: str) -> None:
    module, attribute = target.split(":")
    getattr(import_module(module), attribute)(args=args, prog_name=name)


for _further in FURTHER:
    _register(*_further)


def main() -> None:
    """Run the command line; errors that a user can act on end with their own exit code."""
    signal.signal(signal.SIGTERM, _stop)
    try:
        app()
    except MatlineError as error:
        console.complain(str(error))
        sys.exit(error.exit_code)
    except SystemExit as ended:
        if ended.code == INTERRUPTED:
            console.err.print("Stopped. No unfinished file is left.")
        raise


def _stop(*_: object) -> None:
    """Stop as on Ctrl-C: unfinished files are removed on the way out."""
    raise KeyboardInterrupt
