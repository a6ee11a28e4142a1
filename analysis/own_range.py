"""The client's own range of pelvic tilt, from a clip of the tuck-arch exercise filmed in the same session."""

from statistics import median
from typing import Final

from analysis.errors import ReportError
from analysis.measurement_error import half_width
from analysis.records import Report

EXERCISE: Final = "pelvic_tilt"


def tuck_arch_deg(report: Report) -> float:
    """Usual width from tuck to arch over the judged repetitions [deg].

    Raises ReportError where the report is of another exercise, or cannot tell: no judged repetition, or
    a width within its own 95 % half-width.
    """
    if report.exercise != EXERCISE:
        raise ReportError(
            f"The client's own range comes from a clip of {EXERCISE}; this report is of {report.exercise}."
        )
    widths = [r.measures.range_deg for r in report.judged() if r.measures.range_deg is not None]
    if not widths or median(widths) <= half_width(report, "both", "range_deg"):
        raise ReportError(
            "This report does not show how far the pelvis tucks and arches. Film that exercise again, "
            "from the side, in patterned clothing or with the card."
        )
    return median(widths)
