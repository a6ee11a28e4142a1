"""Sessions over weeks: series with their uncertainty, what changed for real, and what to try next.

read_files, read_folder   report files -> sessions, with a reason for each file left out
follow                    sessions -> Progress: series, changes, remarks, proposals
compare                   a few sessions of one exercise, side by side
write_html, write_pdf     the same on a screen and on paper
write_csv                 the series as a table
"""

from analysis.progress.archive import read_files, read_folder
from analysis.progress.follow import Progress, compare, follow
from analysis.progress.page import page, write_html, write_pdf
from analysis.progress.sessions import Session
from analysis.progress.table import write_csv

__all__ = [
    "Progress",
    "Session",
    "compare",
    "follow",
    "page",
    "read_files",
    "read_folder",
    "write_csv",
    "write_html",
    "write_pdf",
]
