"""The turns of a visit on the terminal: one as it happens or is replayed, and all as a table."""

from __future__ import annotations

from rich.markup import escape
from rich.table import Table

from assistant.cli.terminal import console
from assistant.record.record import Record
from assistant.review.replay import Row, rows


def print_turn(row: Row | None, timed: bool = False) -> None:
    """Prints what was heard, decided and answered in a turn, timed with the time of day; None shows nothing."""
    if row is None:
        return
    if row.heard:
        time = f"{row.utc[11:19]} " if timed else ""
        console.print(f"{time}[green]> {escape(row.heard)}[/]")
    if row.decided:
        console.print(f"  [yellow]{escape(row.decided)}[/]")
    if row.answer:
        console.print(f"[cyan]< {escape(row.answer)}[/]")


def turn_table(record: Record) -> Table:
    """The turns of a record as a table."""
    table = Table("time", "heard", "decided", "answered", title=f"Visit {escape(str(record.path))}")
    for row in rows(record):
        changed = " [red](would now be decided otherwise)[/]" if row.same is False else ""
        table.add_row(row.utc[11:19], escape(row.heard), escape(row.decided) + changed, escape(row.answer))
    return table
