"""How a command of a module of its own is made."""

from collections.abc import Callable
from typing import Any

import typer


def output(text: str) -> Any:
    """An option that names a file to write."""
    return typer.Option(metavar="FILE", help=text, show_default=False, readable=False)


def as_command(function: Callable[..., None]) -> Any:
    """The function as a command that can be called with `args` and `prog_name`."""
    app = typer.Typer(add_completion=False, rich_markup_mode="rich", pretty_exceptions_enable=False)
    app.command()(function)
    return typer.main.get_command(app)
