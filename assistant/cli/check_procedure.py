"""`assistant check-procedure`: what is wrong in procedures and the other data files that people write."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import platformdirs
import typer
from rich.console import Console
from rich.markup import escape

from assistant.cli.models import APP_FOLDER
from assistant.errors import Problem
from assistant.files import Library, library, use_shop
from assistant.trade.procedures import Part, WrittenProcedure

console = Console(highlight=False, soft_wrap=True)

SHOP = Annotated[
    Path | None,
    typer.Option(
        "--shop",
        envvar="ASSISTANT_SHOP",
        help="A folder with a shop's own procedures/, parts/, limits.yaml, hazards.yaml and quantities.yaml: they add "
        "to the shipped ones, and what has the same name takes their place. Without it, the folder shop in the "
        "user's folder of settings, where there is one.",
    ),
]


def shop_folder(given: Path | None) -> Path | None:
    """The shop's folder: the one that is given, else the one among the user's settings where it is there."""
    own = platformdirs.user_config_path(APP_FOLDER, appauthor=False) / "shop"
    return given or (own if own.is_dir() else None)


def start(shop: SHOP = None) -> None:
    """Before every command: the data files of the shop."""
    use_shop(shop_folder(shop))


def check_procedure(
    files: Annotated[list[Path], typer.Argument(help="Procedures, parts, or files of limits, hazards, quantities.")],
) -> None:
    """Say all that is wrong in procedures or other data files: file, line, column and what."""
    bad = 0
    for file in files:
        try:
            flaws = [str(flaw) for flaw in _beside(file).flaws_in(file)]
        except Problem as problem:
            flaws = [str(problem)]
        bad += len(flaws)
        for flaw in flaws:
            console.print(escape(flaw))
        if not flaws:
            console.print(f"{escape(str(file))}: no fault found in its names, order, warnings and tests.")
    if bad:
        sys.exit(1)


def _beside(file: Path) -> Library:
    """The data files that a file is checked with: those in use, or those of the shop's folder that it lies in."""
    folder = file.resolve().parent
    if folder.name in ("procedures", "parts"):
        folder = folder.parent
    is_shop = any((folder / name).exists() for name in ("parts", "hazards.yaml", "quantities.yaml"))
    shipped = Library()
    if library().shop is None and is_shop and folder != shipped.folders[0].resolve():
        return Library(folder)
    return library()


def schema() -> dict[str, Any]:
    """The JSON Schema of procedure files and of parts."""
    procedure = WrittenProcedure.model_json_schema()
    part = Part.model_json_schema(ref_template="#/$defs/{model}")
    definitions = {**procedure.pop("$defs"), **part.pop("$defs")}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A procedure of the assistant, or a part that procedures include",
        "anyOf": [{"$ref": "#/$defs/WrittenProcedure"}, {"$ref": "#/$defs/Part"}],
        "$defs": {**definitions, "WrittenProcedure": procedure, "Part": part},
    }


def schema_text() -> str:
    """The JSON Schema as it is published, docs/procedure.schema.json."""
    return json.dumps(schema(), indent=1, sort_keys=True) + "\n"
