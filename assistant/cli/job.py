"""`assistant job`: writes a job file, and says what is wrong in one."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from string import Template
from typing import Annotated, get_args

import typer

from assistant.cli.terminal import FORCE, free, group_app, lines
from assistant.files import flaws_in_job, library, read_job
from assistant.language.meaning import number_of
from assistant.places import write_whole
from assistant.trade.job import SAID_FOR, Fuel, VisitKind

app = group_app("A job file: what is known before a visit.")

TEMPLATE = Path(__file__).parent / "job_template.yaml"
PLATE = {
    "input_rate": ("input-rate", "Btu_per_hour", "80000"),
    "manifold_pressure": ("manifold-pressure", "inH2O", "3.5"),
}
"""What is asked of the rating plate: the quantity, its unit, and the figure of the example."""


@app.command()
def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The new file.")] = Path("job.yaml"),
    ask: Annotated[bool, typer.Option("--ask", help="Ask at the terminal instead of leaving blanks.")] = False,
    force: FORCE = False,
) -> None:
    """Write a job file to fill in, with what each line is for; or ask, and fill it in."""
    file = free(file, force)
    answers = _asked() if ask else {}
    write_whole(file, filled_in(answers).encode())
    lines.print(f"Job file: {file}")
    if ask:
        check(file)
    else:
        lines.print(f"Fill it in, then run: assistant job check {file}")


@app.command()
def check(file: Annotated[Path, typer.Argument(metavar="FILE", help="A job file.")]) -> None:
    """Say all that is wrong in a job file, with line and column. Exit status 1: something is."""
    flaws = flaws_in_job(file)
    for flaw in flaws:
        lines.print(str(flaw))
    if flaws:
        if not flaws_in_job(file, draft=True):  # something is missing, and nothing wrong
            lines.print(f"The visit can ask for it by voice: assistant visit --set-up --job {file}")
        sys.exit(1)
    job = read_job(file)
    lines.print(f"{file}: complete; {library().procedure_for(job).title}.")
    lines.print(f"Begin the visit with: assistant visit --job {file}")


def filled_in(answers: dict[str, str]) -> str:
    """The text of a job file. answers: by the names in the template; what is left out stays blank."""
    blank = dict.fromkeys(("site", "technician", "licence", "description", "fuel", "ignition"), "") | {
        "visit": "yearly check",
        "licence": '""',
    }
    plate = {
        key: f"{'' if key in answers else '# '}{name}: {{value: {answers.get(key, example)}, unit: {unit}}}"
        for key, (name, unit, example) in PLATE.items()
    }
    return Template(TEMPLATE.read_text(encoding="utf-8")).substitute({**blank, **answers, **plate})


def _asked() -> dict[str, str]:
    """Asks at the terminal; an empty answer leaves out what can be left out."""
    told = {
        "site": _text("Where is it? Street and number"),
        "technician": _text("Who works? The technician's name"),
        "licence": _text("The technician's licence (Enter leaves it out)", needed=False),
        "description": _text("What is it? For example: 80 000 Btu/h furnace, basement"),
        "visit": _one_of("What is the visit for?", get_args(VisitKind), "yearly check"),
        "fuel": _one_of("Which gas?", get_args(Fuel)),
        "ignition": _one_of("How does it light?", tuple(library().systems)),
    }
    for key, (name, unit, _) in PLATE.items():
        if figure := _figure(f"{name.capitalize().replace('-', ' ')} on its plate, in {unit} (Enter leaves it out)"):
            told[key] = figure
    return told


def _text(question: str, needed: bool = True) -> str:
    answer = typer.prompt(question, default=None if needed else "", show_default=False)
    return json.dumps(answer.strip(), ensure_ascii=False)  # a text of YAML, whatever is in it


def _one_of(question: str, choices: tuple[str, ...], default: str | None = None) -> str:
    while True:
        answer = str(typer.prompt(f"{question} {', '.join(choices)}", default=default)).strip().lower()
        said = next((each for each in choices if each.lower() == answer), SAID_FOR.get(answer))
        if said in choices:
            return said
        lines.print(f"Say one of: {', '.join(choices)}.")


def _figure(question: str) -> str:
    while answer := str(typer.prompt(question, default="", show_default=False)).strip().replace(",", ""):
        if number_of(answer) is not None:
            return answer
        lines.print("Give a number, as 80000 or 3.5, or nothing.")
    return ""
