"""`assistant check-procedure`: what is wrong in procedures and the other data files that people write."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from assistant.cli.terminal import complain, lines
from assistant.errors import Problem
from assistant.files import Library, library
from assistant.yaml_files import read_yaml


def check_procedure(
    files: Annotated[list[Path], typer.Argument(help="Procedures, parts, or files of limits, hazards, quantities.")],
) -> None:
    """Say all that is wrong in procedures or other data files: file, line, column and what. Exit status 1: something
    is; 2: a file cannot be read."""
    status = 0
    for file in files:
        try:
            read_yaml(file)
        except Problem as problem:  # it does not keep the others from being checked
            complain("Not checked", problem)
            status = 2
            continue
        try:
            flaws = [str(flaw) for flaw in _beside(file).flaws_in(file)]
        except Problem as problem:  # it is in what the file includes
            flaws = [str(problem)]
        for flaw in flaws:
            lines.print(flaw)
        if flaws:
            status = max(status, 1)
        else:
            lines.print(f"{file}: no fault found in its names, order, warnings and tests.")
    if status:
        sys.exit(status)


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
