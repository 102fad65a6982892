"""`assistant report`: writes a visit's report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from assistant.cli.terminal import FORCE, VISIT, complain_of_record, free, lines
from assistant.places import write_whole
from assistant.record import folder as visits
from assistant.record.record import Record
from assistant.review.report import page


def report(
    visit: VISIT,
    html: Annotated[Path | None, typer.Option("--html", help="Write the HTML file here.")] = None,
    pdf: Annotated[Path | None, typer.Option("--pdf", help="Write a PDF here.")] = None,
    audio: Annotated[bool, typer.Option("--audio/--no-audio", help="Put the recordings of readings in.")] = True,
    force: FORCE = False,
) -> None:
    """Write a visit's report: one HTML file with everything in it, or a PDF. Without --html and --pdf: beside it."""
    path = visits.find(visit)
    if html is None and pdf is None:
        html = path.parent / page.REPORT
    else:
        html, pdf = (out and free(out, force) for out in (html, pdf))
    with Record.open(path, read_only=True) as record:
        made, problems = page.of_record(record, audio)
    if html:
        write_whole(html, made.encode())
        if audio:
            page.note_copy(path, html)
        lines.print(f"Report: {html}")
    if pdf:
        page.pdf(made, pdf)
        lines.print(f"Report: {pdf}")
    complain_of_record(problems)
