"""What the commands share: where they print, and the options that several of them take."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.console import Console
from rich.markup import escape

from assistant.errors import Problem
from assistant.places import visits_folder

# Without emoji: ":AB:" in a fingerprint, and ":cd:" in what people write, are themselves.
console = Console(highlight=False, emoji=False)
lines = Console(highlight=False, emoji=False, soft_wrap=True, markup=False)
"""For lines that a person or a program takes whole, with paths and hashes in them."""

errors = Console(stderr=True, highlight=False, emoji=False, soft_wrap=True)

FOLDER = Annotated[
    Path,
    typer.Option(
        "--folder",
        help="Where visits are kept, if not where `assistant visits` says.",
        default_factory=visits_folder,
        show_default=False,
    ),
]
VISIT = Annotated[Path, typer.Argument(metavar="VISIT", help="A visit's folder or its record.")]
MICROPHONE = Annotated[str | None, typer.Option("--microphone", help="The microphone's name; else the system's own.")]
LOUDSPEAKER = Annotated[
    str | None, typer.Option("--loudspeaker", help="The loudspeaker's name; else the system's own.")
]
VoiceEngine = Literal["bundled", "system"]
VOICE = Annotated[VoiceEngine, typer.Option("--voice", help="The bundled voice, or the one that the system has.")]


FORCE = Annotated[bool, typer.Option("--force", help="Write over a file that is there; never over a visit's own.")]


def free(path: Path, force: bool) -> Path:
    """The path of a file that may be written; Problem for a file of a visit, a folder, or one that is there.

    force: one that is there may be written over.
    """
    from assistant.record.folder import is_of_a_visit

    if is_of_a_visit(path):
        raise Problem(f"{path} is the name of a file of a visit, which stays as it is; give another name.")
    if path.exists() and not path.is_file():
        raise Problem(f"{path} is not a file; give the name of one.")
    if path.exists() and not force:
        raise Problem(f"{path} is there already; give another name, or write over it with --force.")
    return path.resolve()


def group_app(text: str) -> typer.Typer:
    """For the module of a command that has commands of its own. text: its help."""
    return typer.Typer(add_completion=False, rich_markup_mode=None, no_args_is_help=True, help=text)


def complain(what: str, wrong: object) -> None:
    """One line about what is wrong, on standard error."""
    errors.print(f"[bold red]{what}:[/] {escape(str(wrong))}")


def complain_of_record(problems: Sequence[str]) -> None:
    """A line for each thing that is not as it was recorded; with any of them the program ends with status 2."""
    for problem in problems:
        complain("Not as it was recorded", problem)
    if problems:
        sys.exit(2)


def print_json(body: Any) -> None:
    """One line of JSON, whole and at once."""
    print(json.dumps(body, ensure_ascii=False), flush=True)
