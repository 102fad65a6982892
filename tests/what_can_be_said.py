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
        *(f"| {rule.replace('_', '-')} | {_said(language, rule)} |" for rule in grammar.public["commands"]),
        "",
        'After "skip", a reason; any is kept as a recording, these also as words:',
        f"{_said(language, 'reason')}.",
        "",
        "## Answers in a step's own words",
        "",
        "| where | said as |",
        "|---|---|",
        *(f"| {where} | {_said(language, rule)} |" for rule, where in _OWN_WORDS.items()),
        "",
        "## Before the visit",
        "",
        f"What begins a visit that waits: {_said(language, 'start')}. The set-up by voice asks:",
        "",
        "| asked | said as |",
        "|---|---|",
        *(f"| {asked} | {_said(language, rule)} |" for rule, asked in _SET_UP.items()),
        "",
        "and numbers for who works, the site, the unit and the plate's values.",
        "",
        "## Numbers",
        "",
        "| form | for example |",
        "|---|---|",
        *(f"| {_NAMES[rule]} | {'; '.join(_examples(language, rule))} |" for rule in _NAMES),
        "",
        f"Before a number: {_said(language, 'sign')}; {_said(language, 'about')}. Before that,",
        f"and before what stands for a number: {', '.join(_lead_ins(language))}; and these after uh, um or okay.",
        f"Not steady, and asked: {_said(language, 'unsteady')}.",
        'Also "between two and three", "two to three" (a range is judged at its worse end). "One twenty, no, one',
        'thirty" is the last of the two, and asked; so with correction, strike that and make that. A form that may',
        "mean two values is asked.",
        "",
        "| for a number | said as |",
        "|---|---|",
        *(f"| {means} | {_said(language, rule)} |" for rule, means in _NO_NUMBERS.items()),
        "",
        "## Units",
        "",
        f"{_said(language, 'unit')}; minutes.",
        "",
        "## Names, for a reading out of turn or several in one breath",
        "",
        "| quantity | said as | unit |",
        "|---|---|---|",
        *(_named(language, quantity) for quantity in language.quantities.values()),
    ]
    return "\n".join(lines) + "\n"


_SET_UP = {"ignition": "ignition system", "fuel": "fuel", "kind": "kind of visit", "material": "igniter"}

_OWN_WORDS = {
    "seen": "checks, each where it is asked: what was found, for yes or no",
    "finished": "steps to do that change neither power nor gas: done",
    "now": "a time that is marked: mark",
    "happened": "a timed step: mark, with its event",
}

_NO_NUMBERS = {
    "open": "open; over the range, where no ohms are asked",
    "closed": "below one ohm, at switches and grounds",
    "no_signal": "zero, at the flame signal; asked",
}

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


def _said(language: Language, rule: str) -> str:
    return ", ".join(language.grammar.sentences(rule))


def _lead_ins(language: Language) -> list[str]:
    """What may come before a value, each once: not again after "uh"."""
    fillers = set(language.grammar.sentences("filler"))
    return [said for said in language.grammar.sentences("lead") if said in fillers or said.split()[0] not in fillers]


def _named(language: Language, quantity: Quantity) -> str:
    question = Question(quantity.name, quantity)
    forms = [
        name
        for name in language.grammar.sentences("name")
        if isinstance(language.understand(f"{name} o l", question), Reading)
    ]
    return f"| {quantity.name} | {', '.join(forms)} | {quantity.unit} |"
