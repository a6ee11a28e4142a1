"""`matline exercises`: the list, or all about one."""

from rich.markup import escape
from rich.table import Table

from analysis import cautions, exercises
from analysis.cli.console import out
from analysis.exercises import Exercise
from analysis.report.words import amount, words


def show(name: str | None) -> None:
    """Print the list, or one exercise. Raises UnknownExerciseError."""
    if name is None:
        _all()
    else:
        _one(exercises.load(name))


def _all() -> None:
    table = Table(box=None, header_style="dim", pad_edge=False)
    for heading in ("Name", "Exercise", "Film it"):
        table.add_column(heading)
    for exercise in map(exercises.load, exercises.names()):
        table.add_row(f"[bold]{exercise.name}[/]", exercise.title, words()["view"][exercise.views[0]])
    out.print(table)
    out.print("\nAll about one: matline exercises NAME")


def _one(exercise: Exercise) -> None:
    out.print(f"[bold]{escape(exercise.title)}[/] ({exercise.name})\n")
    for heading, text in (
        ("The phone", exercise.phone),
        ("To begin", exercise.start_position),
        ("What moves", exercise.moves),
        ("What keeps still", exercise.still),
        ("What is measured", "; ".join(exercise.measured).capitalize() + "."),
        ("Words for the client", " ".join(exercise.cues)),
        ("Easier", "; ".join(form.text for form in exercise.easier)),
        ("Harder", "; ".join(form.text for form in exercise.harder)),
    ):
        if text:
            out.print(f"[bold]{heading}.[/] {escape(text)}")
    out.print(_targets(exercise))
    for caution in cautions.load().caution:
        if caution.kind in {"stop", "scope"}:
            out.print(f"• {escape(caution.text)}")


def _targets(exercise: Exercise) -> Table:
    table = Table(box=None, header_style="dim", pad_edge=False)
    for heading in ("\nTargets and limits", "\nValue", "\nSource"):
        table.add_column(heading)
    usual, tempo, hold = exercise.range, exercise.tempo, exercise.hold
    table.add_row(
        f"range: {usual.label}",
        amount(usual.usual_deg) if usual.usual_deg else "the client's own",
        usual.source,
    )
    table.add_row("time of one way", amount(tempo.usual_phase_s, "s"), tempo.source)
    if hold:
        table.add_row("hold", amount(hold.usual_s, "s"), hold.source)
    for kind, limit in exercise.limits.items():
        table.add_row(f"limit of “{kind.replace('_', ' ')}”", amount(limit.value, limit.unit), limit.source)
    return table
