"""`assistant visits`: the visits that are kept, and where."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from assistant.cli.terminal import FOLDER, complain, lines
from assistant.errors import Problem
from assistant.places import keep_visits_in
from assistant.record.folder import Found, look, make
from assistant.record.record import Record
from assistant.record.story import story_of


def visits(
    folder: FOLDER,
    keep_in: Annotated[
        Path | None, typer.Option("--keep-in", help="Keep visits in this folder from now on; it is made if needed.")
    ] = None,
) -> None:
    """List the visits, the newest first; or choose once where they are kept."""
    if keep_in:
        make(keep_in)
        keep_visits_in(keep_in)
        lines.print(f"Visits are kept in {keep_in.resolve()} from now on; those made before are not moved.")
        return
    lines.print(f"Visits are kept in {folder}; choose another folder with --keep-in.")
    found = look(folder) if folder.is_dir() else Found()
    for path in sorted(found.records, reverse=True):
        with suppress(Problem), Record.open(path, read_only=True) as record:
            story = story_of(record.entries())
            job, state = story.rules.job, "ended" if story.closed else "not ended"
            lines.print(f"{story.began[:10]}  {job.site}, {job.visit}, {state}: {path.parent}")
    for left_out in found.left_out:
        complain("Left out", left_out)
