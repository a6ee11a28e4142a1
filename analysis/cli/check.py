"""`matline check`: looks at every request first, measures, then writes each file whole."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import Final

import typer

from analysis import cautions, exercises, exports, overlay, pipeline, report, video
from analysis.cli import console, summary
from analysis.conventions import SIDES, Side
from analysis.errors import ReportError
from analysis.files import check_outputs
from analysis.own_range import tuck_arch_deg
from analysis.pipeline import Measured
from analysis.records import SessionNotes

CANNOT_ANSWER: Final = 7


@dataclass(frozen=True)
class Outputs:
    """Files asked for; None where not."""

    json: Path | None = None
    html: Path | None = None
    pdf: Path | None = None
    csv: Path | None = None
    c3d: Path | None = None
    fhir: Path | None = None
    video: Path | None = None

    def paths(self) -> list[Path]:
        """Those asked for."""
        return [path for f in fields(self) if (path := getattr(self, f.name)) is not None]


def run(
    clip: Path,
    exercise: str,
    side: str | None,
    outputs: Outputs,
    *,
    session: SessionNotes | None = None,
    fast: bool = False,
    show_face: bool = False,
) -> None:
    """Measure, print, write; ends with exit code 7 where the clip cannot answer."""
    chosen, working = exercises.load(exercise), _side(side)
    _check_outputs(clip, outputs, session)
    video.probe(clip)  # a clip that cannot be read is told before the model is loaded
    with console.progress(f"Measuring {chosen.title}") as share:
        measured = pipeline.measure(clip, chosen, working, session=session, fast=fast, progress=share)
    summary.show(measured.report)
    write(measured, outputs, show_face=show_face)
    if not measured.report.capture.usable:
        raise typer.Exit(CANNOT_ANSWER)


def notes(
    client: str | None,
    date: datetime | None,
    pain_before: int | None,
    pain_after: int | None,
    signs: Sequence[str] = (),
    own_range: Path | None = None,
) -> SessionNotes:
    """What the person at the terminal says of the session; strong pain counts as a warning sign.

    Raises ReportError for the own range.
    """
    _check_signs(signs)
    return SessionNotes(
        client=client,
        recorded_at=date,
        pain_before=pain_before,
        pain_after=pain_after,
        warning_signs=tuple(dict.fromkeys((*signs, *cautions.signs_of_pain(pain_before)))),
        tuck_arch_deg=tuck_arch_deg(report.read_json(own_range)) if own_range else None,
    )


def write(measured: Measured, outputs: Outputs, *, show_face: bool = False) -> None:
    """Write the files asked for, and say so for each."""
    told = measured.report
    if outputs.json:
        report.write_json(told, outputs.json)
    beside = [exports.write_csv(told, outputs.csv)] if outputs.csv else []
    if outputs.c3d:
        exports.write_c3d(told, outputs.c3d, measured.skeleton)
    if outputs.fhir:
        exports.write_fhir(told, outputs.fhir, told.session.client or "")
    _write_pictures(measured, outputs, blur_faces=not show_face)
    for path in [*outputs.paths(), *beside]:
        console.out.print(f"Written: {path}", soft_wrap=True)


def _write_pictures(measured: Measured, outputs: Outputs, *, blur_faces: bool) -> None:
    told, source = measured.report, (measured.clip, measured.observations, measured.report)
    if outputs.html or outputs.pdf:
        pictures = overlay.thumbnails(*source, blur_faces=blur_faces)
        if outputs.html:
            report.write_html(told, outputs.html, thumbnails=pictures)
        if outputs.pdf:
            report.write_pdf(told, outputs.pdf, thumbnails=pictures)
    if outputs.video:
        with console.progress("Drawing the video") as share:
            overlay.write_video(outputs.video, *source, blur_faces=blur_faces, progress=share)


def _side(side: str | None) -> Side | None:
    for known in SIDES:
        if side == known:
            return known
    if side is not None:
        raise typer.BadParameter(f"{side!r} is no side. Say left or right.", param_hint="--side")
    return None


def _check_signs(signs: Sequence[str]) -> None:
    known = {s.kind: s.question for s in (*cautions.load().warning_sign, cautions.load().pain.sign)}
    if not known.keys() >= set(signs):
        told = "\n".join(f"{kind}: {question}" for kind, question in known.items())
        raise typer.BadParameter(f"Warning signs are\n{told}", param_hint="--warning-sign")


def _check_outputs(clip: Path, outputs: Outputs, session: SessionNotes | None) -> None:
    """Every file asked for can be made and written, is asked for once, and is not the clip."""
    if outputs.fhir and not (session and session.client):
        raise ReportError("A health record needs whom it is about: add --client with a pseudonym.")
    check_outputs(outputs.paths(), clip)
    if outputs.pdf:
        report.pdf_printer()
    if outputs.c3d:
        exports.c3d_library()
