"""How a command of a module of its own is made, and what commands share."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

import typer


def output(text: str) -> Any:
    """An option that names a file to write."""
    return typer.Option(metavar="FILE", help=text, show_default=False, readable=False)


def day(text: str) -> datetime:
    """A day, or a moment, as typed; without a zone it is local time. Raises BadParameter."""
    try:
        return datetime.fromisoformat(text).astimezone()
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is no date. Write it as 2026-03-04.") from error


def as_command(function: Callable[..., None]) -> Any:
    """The function as a command that can be called with `args` and `prog_name`."""
    app = typer.Typer(add_completion=False, rich_markup_mode="rich", pretty_exceptions_enable=False)
    app.command()(function)
    return typer.main.get_command(app)
