"""The command `matline`: for people at a terminal and for scripts. Exit codes are in the help.

Commands that need much import it when they run, so that help comes at once.
"""

from analysis.cli.main import app, main

__all__ = ["app", "main"]
