"""`assistant work-out`: works something out from values that are given."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated

import typer
from rich.markup import escape
from rich.table import Table

from assistant.cli.terminal import console, print_json
from assistant.errors import Problem
from assistant.trade import computations
from assistant.trade.computation import Worked
from assistant.trade.units import round_significant


def work_out(
    name: Annotated[str, typer.Argument(help="What: a name of the list; without any, the list.")] = "",
    values: Annotated[
        list[str] | None,
        typer.Argument(metavar="KEY=VALUE...", help="Its inputs; U_KEY=VALUE gives the expanded uncertainty of one."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Work out input rate, airflow, CO air-free and the like, with assumptions, uncertainty and source."""
    if not name:
        console.print(listed())
        return
    given: dict[str, str] = {}
    for pair in values or []:
        key, equals, value = pair.partition("=")
        if not equals or not key or not value or key in given:
            raise Problem(f"{pair!r} is not KEY=VALUE with a key of its own, like co_ppm=87.")
        given[key] = value
    try:
        worked = computations.work_out(name, given)
    except ValueError as wrong:
        raise Problem(str(wrong)) from wrong
    if as_json:
        print_json(body(worked))
        return
    doubt = "" if worked.expanded_uncertainty is None else f" ± {_short(worked.expanded_uncertainty)} (k = 2)"
    value = f"{worked.value:f}" if isinstance(worked.value, Decimal) else worked.value
    console.print(f"[bold]{escape(name)}: {value}{doubt} {escape(worked.unit)}[/]".replace(" [/]", "[/]"))
    for assumption in worked.assumptions:
        console.print(f"  assumed: {escape(assumption)}")
    console.print(f"  source: {escape(worked.source)}")


def _short(value: Decimal) -> str:
    return f"{round_significant(value, 2):f}"


def body(worked: Worked) -> dict[str, object]:
    """A result as plain JSON values."""
    return {
        "name": worked.name,
        "value": float(worked.value) if isinstance(worked.value, Decimal) else worked.value,
        "unit": worked.unit,
        "expanded_uncertainty": None if worked.expanded_uncertainty is None else float(worked.expanded_uncertainty),
        "assumptions": list(worked.assumptions),
        "source": worked.source,
    }


def listed() -> Table:
    """What can be worked out, with the inputs of each."""
    table = Table("name", "what", "inputs (unit)", title="What can be worked out")
    for each in computations.COMPUTATIONS.values():
        inputs = ", ".join(f"{i.key} ({i.unit})" if i.default is None else f"[{i.key}] ({i.unit})" for i in each.takes)
        table.add_row(each.name, f"{each.title}, in {each.printed_unit or 'a word'}", escape(inputs))
    return table
