"""The two terminals: results go to `out`, progress and complaints to `err`."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

out: Final = Console(highlight=False)
err: Final = Console(stderr=True, highlight=False)

# Every verdict has its own sign, so that it reads without colour.
SIGNS: Final = {
    "sound": "[green]● {}[/]",
    "borderline": "[yellow]◆ {}[/]",
    "flagged": "[red]▲ {}[/]",
    "not_measured": "□ {}",
}


def complain(message: str) -> None:
    """Say what is wrong, on one stream and without a traceback."""
    err.print(f"[bold red]Error:[/] {escape(message)}", soft_wrap=True)


@contextmanager
def progress(title: str) -> Iterator[Callable[[float], None]]:
    """A progress bar on `err`; yields the function to call with the share done, 0..1."""
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=err, transient=True) as bars:
        bar = bars.add_task(title, total=1.0)
        yield lambda share: bars.update(bar, completed=share)
