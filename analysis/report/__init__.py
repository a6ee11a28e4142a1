"""The report of one clip: put together, kept as JSON, shown as a page and printed.

build       results of the steps -> records.Report
write_json, read_json, json_schema
page, write_html, write_pdf       the same words and drawings on a screen and on paper
"""

from analysis.printing import pdf_printer
from analysis.report.assemble import build
from analysis.report.page import page, write_html, write_pdf
from analysis.report.store import json_schema, read_json, write_json

__all__ = [
    "build",
    "json_schema",
    "page",
    "pdf_printer",
    "read_json",
    "write_html",
    "write_json",
    "write_pdf",
]
