"""Pages as tagged PDF (PDF/UA-1), for the notes and for paper."""

from pathlib import Path
from typing import Any

from analysis.errors import ReportError
from analysis.files import whole


def write_pdf(html: str, path: Path | str) -> None:
    """Print a page; the file appears only when whole. Raises ReportError."""
    printer = pdf_printer()
    with whole(path) as part:
        printer(string=html).write_pdf(part, pdf_variant="pdf/ua-1")


def pdf_printer() -> Any:
    """The class that turns HTML into PDF; raises ReportError where its system libraries are missing."""
    try:
        from weasyprint import HTML  # slow to load, and needed for nothing else
    except (OSError, ImportError) as error:
        raise ReportError(
            "A PDF needs the Pango libraries. On Debian: apt-get install libpango-1.0-0 libpangoft2-1.0-0. "
            "Or write a page with --html, where there is one, and print it from the browser."
        ) from error
    return HTML
