"""The table of what can be said, from the grammars; grammars/README.md is its output."""

from __future__ import annotations

from random import Random

from assistant.language.meaning import Question, Reading
from assistant.language.utterance import Language
from assistant.trade.quantities import Quantity

EXAMPLES = 6
SEED = 21


def what_can_be_said(language: Language) -> str:
    """The commands with all their forms, the ways to say a number, the units and the names; Markdown."""
    grammar = language.grammar
    lines = [
        "# What can be said",
        "",
        "Made from the grammars beside this file by `make docs`; `make check` fails when it is out of date.",
        "",
        "## Commands",
        "",
        "| command | said as |",
        "|---|---|",
        *(
            f"| {rule.replace('_', '-')} | {', '.join(grammar.sentences(rule))} |"
            for rule in grammar.public["commands"]
        ),
        "",
        'After "skip", a reason; any is kept as a recording, these also as words:',
        f"{', '.join(grammar.sentences('reason'))}.",
        "",
        "## Before the visit",
        "",
        f"What begins a visit that waits: {', '.join(grammar.sentences('start'))}. The set-up by voice asks:",
        "",
        "| asked | said as |",
        "|---|---|",
        *(f"| {asked} | {', '.join(grammar.sentences(rule))} |" for rule, asked in _SET_UP.items()),
        "",
        "and numbers for who works, the site, the unit and the plate's values.",
        "",
        "## Numbers",
        "",
        "| form | for example |",
        "|---|---|",
        *(f"| {_NAMES[rule]} | {'; '.join(_examples(language, rule))} |" for rule in _NAMES),
        "",
        'Before a number: minus, negative; about, around, roughly. Also "between two and three", "two to three" (a',
        'range is judged at its worse end), "O L", "open", "infinite". A form that may mean two values is asked.',
        "",
        "## Units",
        "",
        f"{', '.join(grammar.sentences('unit'))}; minutes.",
        "",
        "## Names, for a reading out of turn or several in one breath",
        "",
        "| quantity | said as | unit |",
        "|---|---|---|",
        *(_named(language, quantity) for quantity in language.quantities.values()),
    ]
    return "\n".join(lines) + "\n"


_SET_UP = {"ignition": "ignition system", "fuel": "fuel", "kind": "kind of visit", "material": "igniter"}

_NAMES = {
    "whole": "cardinal",
    "pair": "in two parts",
    "spelled": "digit by digit",
    "decimal": "with a point",
    "mixed": "with a fraction",
    "fraction": "a fraction",
    "scaled": "thousands",
    "k_between": "thousands, as on a part",
}


def _examples(language: Language, rule: str) -> list[str]:
    draw = Random(SEED).random
    found: dict[str, None] = {}
    while len(found) < EXAMPLES:
        found[" ".join(language.grammar.sample(rule, draw).words)] = None
    return list(found)


def _named(language: Language, quantity: Quantity) -> str:
    question = Question(quantity.name, quantity)
    forms = [
        name
        for name in language.grammar.sentences("name")
        if isinstance(language.understand(f"{name} o l", question), Reading)
    ]
    return f"| {quantity.name} | {', '.join(forms)} | {quantity.unit} |"
