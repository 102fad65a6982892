"""docs/dialogue.md: the table of the dialogue as a diagram (Mermaid) and as a list."""

from __future__ import annotations

from assistant.dialogue.state import Phase
from assistant.dialogue.table import ALWAYS, EVERYWHERE, FREE, HELD, STEP, TABLE, Cell

GROUPS = {"A step is opened": STEP, "Back to where it was said": HELD, "Back to where it was asked": FREE}
"""Phases that a cell leads to together -> the phases."""

HEAD = """# The dialogue

Made from `assistant/dialogue/table.py` by `make docs`. What leads anywhere else is an error of the program
(`tests/dialogue/test_table.py` walks every cell).

A *word* is a command, a reading, a name ("named"), what was not understood, or an event that nobody says. To stay in
the phase is always allowed and not shown. Without a handler a word leads where it says, and what is waited for there
is said.
"""


def _targets(cell: Cell) -> list[str]:
    """Where a cell leads: groups of phases by their names, then single phases."""
    left = set(cell.to)
    groups: list[str] = []
    for name, phases in GROUPS.items():
        if phases <= cell.to and not any(phases < GROUPS[other] for other in groups):
            groups.append(name)
            left -= phases
    return [*groups, *sorted(phase.name for phase in left)]


def _node(name: str) -> str:
    return name if name.isupper() else "".join(word.capitalize() for word in name.split())


def _arrows() -> list[str]:
    """One arrow for each way between two phases, with the words that lead there."""
    ways: dict[tuple[str, str], list[str]] = {}
    for phase, row in TABLE.items():
        for word, cell in row.items():
            for to in _targets(cell):
                ways.setdefault((phase.name, _node(to)), []).append(word)
    return [f"    {a} --> {b}: {', '.join(words)}" for (a, b), words in ways.items() if a != b]


def _row(word: str, cell: Cell) -> str:
    does = cell.handler
    handler = f"`{does.__module__.rsplit('.', 1)[-1]}.{does.__name__.lstrip('_')}`" if does else ""
    return f"| {word} | {handler} | {', '.join(_targets(cell)) or 'stays'} |"


def _table(cells: dict[str, Cell]) -> list[str]:
    return ["| word | handler | leads to |", "|---|---|---|", *(_row(word, cell) for word, cell in cells.items()), ""]


def dialogue_page() -> str:
    """docs/dialogue.md; Markdown."""
    used = [name for name in GROUPS if any(name in _targets(c) for row in TABLE.values() for c in row.values())]
    named = [f'    state "{name}" as {_node(name)}' for name in used]
    lines = [
        HEAD,
        "```mermaid",
        "stateDiagram-v2",
        "    [*] --> AStepIsOpened",
        *named,
        *_arrows(),
        *(f"    AStepIsOpened --> {phase.name}" for phase in Phase if phase in STEP),
        "    CLOSED --> [*]",
        "```",
        "",
        *(f"*{name}*: {', '.join(p.name for p in Phase if p in GROUPS[name])}." for name in used),
        "",
        "## Everywhere",
        "",
        f"Unless the phase says otherwise; the first {len(ALWAYS)} even where all that is said is the answer.",
        "",
        *_table(EVERYWHERE),
    ]
    for phase, row in TABLE.items():
        lines += [f"## {phase.name}", "", *_table(row)]
    return "\n".join(lines).rstrip() + "\n"
