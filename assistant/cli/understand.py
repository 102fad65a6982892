"""`assistant understand`: what the assistant makes of words. `assistant hear` prints its results as this does."""

from __future__ import annotations

import sys
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table

from assistant.cli.terminal import console, print_json
from assistant.errors import Problem
from assistant.files import library
from assistant.language.heard import Heard
from assistant.language.meaning import Command, Meaning, Named, Question, Reading, Readings, Unclear, value_text
from assistant.language.spoken import figures_said
from assistant.trade.procedures import Step

QUESTION = Annotated[str, typer.Option("--question", "-q", help="What was asked: a quantity or a step.")]
QUESTIONS = Annotated[bool, typer.Option("--questions", help="List the questions and stop.")]
JSON = Annotated[bool, typer.Option("--json", help="One JSON object a line.")]


def understand(
    words: Annotated[list[str] | None, typer.Argument(help="The words; without any, lines on standard input.")] = None,
    question: QUESTION = "",
    as_json: JSON = False,
    questions: QUESTIONS = False,
    why: Annotated[bool, typer.Option("--why", help="Show every value considered, and why it stayed or went.")] = False,
) -> None:
    """Say what the assistant makes of words at a question."""
    if questions:
        print_questions()
        return
    language, asked = library().language, question_named(question)
    for line in [" ".join(words)] if words else (line.rstrip("\n") for line in sys.stdin):
        said = figures_said(line)
        meaning = language.understand(said, asked)
        confirm = language.confirm(Heard(said), meaning, asked)
        body: dict[str, Any] = {"said": line, "meaning": meaning_body(meaning), "confirm": confirm}
        values = language.why(said, asked) if why else []
        if why and as_json:
            body["considered"] = [
                {"value": value_text(c.reading.value), "unit": c.reading.unit, "how": c.how, "gone": c.gone or None}
                for c in values
            ]
        print_result(body, as_json)
        if not as_json:
            for c in values:
                console.print(f"  {value_text(c.reading.value)} {c.reading.unit}, {c.how}: {c.gone or 'stays'}")


def question_named(name: str) -> Question:
    """The question of that name: a quantity, or a step of a procedure. Problem when there is none."""
    if not name:
        raise Problem("Say what was asked: --question NAME; the names are listed by --questions.")
    quantities = library().quantities
    if name in quantities:
        return Question(name, quantities[name])
    for _, part in library().parts.values():  # without putting procedures together, which takes a second
        for step in part.steps:
            if isinstance(step, Step) and step.id == name:
                return Question(name, quantities[step.quantity] if step.quantity else None)
    for procedure in library().procedures.values():
        if procedure.has(name):
            asked = procedure.step(name).quantity
            return Question(name, quantities[asked] if asked else None)
    raise Problem(f"{name!r} is no question; see the list with: assistant understand --questions")


def print_questions() -> None:
    """Lists the questions with unit and span of the instrument."""
    table = Table("question", "unit", "the meter shows", "last digit", title="Questions that take a reading")
    for name, quantity in library().quantities.items():
        table.add_row(name, quantity.unit, f"{quantity.low:f} to {quantity.high:f}", f"{quantity.resolution:f}")
    console.print(table)
    steps = ", ".join(step.id for procedure in library().procedures.values() for step in procedure.steps)
    console.print(f"Or the name of a step: {steps}.")


def meaning_body(meaning: Meaning) -> dict[str, Any]:
    """A meaning as plain JSON values."""
    match meaning:
        case Command():
            of = {"of": meaning.of} if meaning.of else {}
            marks = {"marks": list(meaning.marks)} if any(meaning.marks) else {}
            return {"kind": "command", "name": meaning.name, **of, **marks}
        case Named():
            return {"kind": "answer", "name": meaning.of}
        case Reading():
            body: dict[str, Any] = {"kind": "reading", "value": value_text(meaning.value), "unit": meaning.unit}
            if meaning.approximate:
                body["approximate"] = True
            if meaning.upper is not None:
                body["range"] = [value_text(value) for value in meaning.values]
            body |= {"steady": False} if not meaning.steady else {}
            body |= {"below": True} if meaning.below else {}
            return body
        case Readings():
            named = [{"quantity": name, **meaning_body(each)} for name, each in meaning.entries]
            return {"kind": "readings", "readings": named}
        case Unclear():
            choices = {"choices": list(meaning.choices)} if meaning.choices else {}
            detail = {"detail": meaning.detail} if meaning.detail else {}
            near = {"did_you_mean": meaning.near.name} if meaning.near else {}
            return {"kind": "unclear", "reason": meaning.reason, **choices, **detail, **near}


def print_result(body: dict[str, Any], as_json: bool) -> None:
    """One result line."""
    if as_json:
        print_json(body)
    else:
        console.print(f"{escape(body['file'])}: {_explained(body)}" if "file" in body else _explained(body))


def _explained(body: dict[str, Any]) -> str:
    """The same in one line for people."""
    meaning = body["meaning"]
    match meaning["kind"]:
        case "command":
            of = f", {escape(meaning['of'])}" if "of" in meaning else ""
            what = f"command [bold]{meaning['name']}[/]{of}"
        case "answer":
            what = f"answer [bold]{escape(meaning['name'])}[/]"
        case "reading":
            about = ("about " if meaning.get("approximate") else "") + ("below " if meaning.get("below") else "")
            value = " to ".join(meaning.get("range", [meaning["value"]]))
            what = f"reading [bold]{about}{value} {meaning['unit']}[/]"
        case "readings":
            each = (f"{m['quantity']} {m.get('value', m['kind'])} {m.get('unit', '')}" for m in meaning["readings"])
            what = f"readings [bold]{'; '.join(each)}[/]"
        case _:
            choices = f" ({' or '.join(meaning['choices'])})" if "choices" in meaning else ""
            detail = f": {meaning['detail']}" if "detail" in meaning else ""
            detail += f"; did you mean {meaning['did_you_mean']}?" if "did_you_mean" in meaning else ""
            what = f"unclear, {meaning['reason']}{choices}{detail}"
    ask = f"; asks for a yes ({body['confirm']})" if body["confirm"] else ""
    return f"{escape(repr(body['said']))}: {what}{ask}"
