"""The report as one self-contained page, for a screen, a phone and paper; and as a tagged PDF."""

import base64
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from analysis import cautions, palette, plots, printing
from analysis.conventions import SIGNALS
from analysis.files import whole
from analysis.measurement_error import unit
from analysis.records import Report
from analysis.report import words


def page(report: Report, *, thumbnails: Mapping[float, bytes] | None = None) -> str:
    """HTML of the report: cautions first, nothing loaded from elsewhere.

    `thumbnails` are JPEG pictures by the `at_s` of their finding. Where the session reports a warning
    sign, the page says whom to contact and holds no exercise advice.
    """
    pictures = {at_s: base64.b64encode(jpeg).decode() for at_s, jpeg in (thumbnails or {}).items()}
    return _template().render(
        report=report,
        words=words.words(),
        withheld=cautions.load().advice_withheld if report.session.warning_signs else None,
        referrals=cautions.referrals(report.session.warning_signs),
        thumbnails=pictures,
        tagged=plots.tagged(report),
        panels=[(panel, Markup(plots.curve(report, panel))) for panel in plots.panels(report)],
        cues=words.cues(report),
    )


def write_html(report: Report, path: Path | str, *, thumbnails: Mapping[float, bytes] | None = None) -> None:
    """Write the page; the file appears only when whole. Raises ReportError."""
    with whole(path) as part:
        part.write_text(page(report, thumbnails=thumbnails), "utf-8")


def write_pdf(report: Report, path: Path | str, *, thumbnails: Mapping[float, bytes] | None = None) -> None:
    """Write the same page as a tagged PDF (PDF/UA-1), A4. Raises ReportError."""
    printing.write_pdf(page(report, thumbnails=thumbnails), path)


@cache
def _template() -> Template:
    env = Environment(
        loader=PackageLoader("analysis.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals.update(
        tally=words.tally,
        words_title=words.title,
        unit_of=unit,
        span=words.span,
        name_of=words.name_of,
        near=words.near,
        numbers=words.numbers,
        trust=words.trust,
        better=words.better,
        palette=palette.PALETTE,
        signals=SIGNALS,
    )
    env.filters.update(amount=words.amount, moment=words.moment, symbol=lambda v: Markup(plots.symbol(v)))
    return env.get_template("page.html")
