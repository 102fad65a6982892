"""The documents that are made from the data: `python -m assistant.documents`, which is `make docs`.

With --check nothing is written, and the exit status is 1 when one is not of today; `make check` does that.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

from assistant.files import Library, library
from assistant.language.table import what_can_be_said
from assistant.procedure_commands import schema_text
from assistant.trade.findings import FINDINGS
from assistant.trade.limits import GenericLimit
from assistant.trade.procedures import Step, Wait
from assistant.trade.units import UNIT_SYMBOL
from assistant.trade.workings import WORKINGS, Input, Working, work_out


def limits_table(shelf: Library) -> str:
    """docs/limits.md: every limit and check value with its source, and the procedures; Markdown."""
    lines = [
        "# Limits and their sources",
        "",
        "Made from the data files in `assistant/trade/data/` by `make docs`;",
        "`make check` fails when it is not of today.",
        "",
        "A value of the rating plate or the maker's sheet in the job file comes before any of these, then the code in",
        "force, then the gas supplier's figures. What is here is the generic limit, and is spoken as one. *Plate only*",
        'means that without such a value the verdict is "cannot judge". *Guarded* means a safety limit: a reading',
        "inside it by less than the meter's uncertainty is not accepted (ILAC-G8:09/2019, 4.2.3).",
        "",
        "| of | for | fail below | caution below | caution above | fail above | kind | authority | mark | source "
        "| holds |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
        *(_row(shelf, limit) for limits in shelf.limits.values() for limit in limits),
        "",
        "## Check values",
        "",
        "Figures that the trade passes on. All are common practice, without a source. None ever judges a reading.",
        "",
        "| of | said in the trade | but |",
        "|---|---|---|",
        *(f"| {value.about} | {value.says} | {value.but} |" for value in shelf.check_values.values()),
        "",
        "## Waits",
        "",
        "A step waits until this has gone on since another step was left; an answer before that is taken, and noted.",
        "",
        "| step | seconds | since | mark | source |",
        "|---|---|---|---|---|",
        *dict.fromkeys(_wait_row(step, step.wait) for p in shelf.procedures.values() for step in p.steps if step.wait),
        "",
        "## Procedures",
        "",
        "| procedure | steps | repairs |",
        "|---|---|---|",
        *(f"| {p.title} | {len(p.steps)} | {len(p.repairs)} |" for p in shelf.procedures.values()),
    ]
    return "\n".join(lines) + "\n"


def _row(shelf: Library, limit: GenericLimit) -> str:
    name = limit.quantity
    spoken = shelf.quantities[name].spoken if name in shelf.quantities else FINDINGS[name].spoken
    for_whom = ", ".join((*limit.only.fuel, *limit.only.ignition, *limit.only.visit)) or "all"
    kinds = {
        "plate only": limit.plate_only,
        "guarded": limit.guarded,
        "open fails": limit.open_fails,
        "must read open": limit.wants_open,
        "a value at the bound is outside": limit.exclusive,
    }
    kind = [word for word, holds in kinds.items() if holds]
    if limit.caution_means:
        kind.append(f"caution: {limit.caution_means}")
    if limit.emergency_from is not None:
        kind.append(f"everybody leaves from {limit.emergency_from:f}")

    def bound(value: Decimal | None) -> str:
        return "" if value is None else f"{value:f} {UNIT_SYMBOL[limit.unit]}".strip()

    cells = (
        spoken,
        for_whom,
        bound(limit.low),
        bound(limit.caution_low),
        bound(limit.caution_high),
        bound(limit.high),
        "; ".join(kind),
        limit.authority,
        limit.source.mark,
        limit.source.text,
        limit.condition,
    )
    return f"| {' | '.join(cells)} |"


def _wait_row(step: Step, wait: Wait) -> str:
    cells = (step.title, f"{wait.seconds}", ", ".join(wait.since), wait.source.mark, wait.source.text)
    return f"| {' | '.join(cells)} |"


TOP = Path(__file__).parent.parent
COMPUTING = "docs/computing.md"
BEGIN, END = "<!-- made from workings.py by make docs -->", "<!-- end of what is made -->"


def computing(written: str) -> str:
    """docs/computing.md: the written text, with the formulas put in between its two marks; Markdown."""
    before, _, rest = written.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}\n\n{formulas_table()}\n{END}{after}"


def formulas_table() -> str:
    """Every formula with its keys, units, ranges, example and source; Markdown."""
    return "\n".join(line for working in WORKINGS.values() for line in _formula(working))


def _formula(working: Working) -> list[str]:
    worked = work_out(working.name, working.example)
    given = " ".join(f"'{key}={value}'" if " " in value else f"{key}={value}" for key, value in working.example.items())
    value = f"{worked.value:f}" if isinstance(worked.value, Decimal) else worked.value
    return [
        f"### {working.name}",
        "",
        f"{working.title}, in {working.unit or 'a word'}.",
        "",
        "| key | unit | left out | taken |",
        "|---|---|---|---|",
        *(f"| {i.key} | {i.unit} | {_left_out(i)} | {_range(working, i)} |" for i in working.inputs),
        "",
        f"`assistant work-out {working.name} {given}` gives {value} {working.unit}".rstrip() + ".",
        "",
        f"Source: {working.source}.",
        *(f"Assumed: {'; '.join(working.assumptions)}." for _ in [0] if working.assumptions),
        "",
    ]


def _left_out(given: Input) -> str:
    if given.default is None:
        return ""
    return "may be left out" if given.default == "" else f"is {given.default}"


BEYOND = Decimal(10) ** 15  # beyond what any formula takes


def _range(working: Working, given: Input) -> str:
    """What an input may be, in the words of the refusals that meet what is beyond."""
    if given.choices is not None:
        return ", ".join(given.choices)
    said = []
    for beyond in (BEYOND, -BEYOND):
        try:
            work_out(working.name, {**working.example, given.key: f"{beyond:f}"})
        except ValueError as wrong:
            said.append(str(wrong).split("; it was")[0].rstrip("."))
    return "; ".join(dict.fromkeys(said)) or "any number"


DOCUMENTS: dict[str, Callable[[], str]] = {
    "grammars/README.md": lambda: what_can_be_said(library().language),
    "docs/limits.md": lambda: limits_table(library()),
    "docs/procedure.schema.json": schema_text,
    COMPUTING: lambda: computing((TOP / COMPUTING).read_text(encoding="utf-8")),
}
"""Path in the repository -> its text."""


def stale() -> list[str]:
    """The documents that are not of today."""
    return [name for name, text in DOCUMENTS.items() if (TOP / name).read_text(encoding="utf-8") != text()]


def main(arguments: list[str]) -> None:
    """Writes the documents, or with --check only says which are not of today."""
    old = stale()
    if "--check" in arguments:
        sys.exit(f"{', '.join(old)}: not of today. Run: make docs" if old else 0)
    for name in old:
        (TOP / name).write_text(DOCUMENTS[name](), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
