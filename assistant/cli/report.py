"""The command that writes a visit's report."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.markup import escape

from assistant.review.report import page, words
from assistant.review.report.plots import Point
from assistant.review.summary import Summary, summarize
from assistant.visit import folder as visits
from assistant.visit.earlier import history
from assistant.visit.record import Record, audio_of

console = Console(highlight=False, soft_wrap=True)
errors = Console(stderr=True, highlight=False, soft_wrap=True)

REPORT = "report.html"
"""The report that a run of a visit leaves beside its record."""


def report(
    visit: Annotated[Path, typer.Argument(help="A visit's folder or its record.")],
    html: Annotated[Path | None, typer.Option("--html", help="Write the HTML file here.")] = None,
    pdf: Annotated[Path | None, typer.Option("--pdf", help="Write a PDF here.")] = None,
    audio: Annotated[bool, typer.Option("--audio/--no-audio", help="Put the recordings of readings in.")] = True,
) -> None:
    """Write a visit's report: one HTML file with everything in it, or a PDF. Without --html and --pdf: beside it."""
    path = visits.find(visit)
    if html is None and pdf is None:
        html = path.parent / REPORT
    with Record.open(path, read_only=True) as record:
        made, problems = render(record, audio)
    if html:
        page.write(made, html)
        console.print(f"Report: {escape(str(html))}")
    if pdf:
        page.pdf(made, pdf)
        console.print(f"Report: {escape(str(pdf))}")
    for problem in problems:
        errors.print(f"[bold red]Not as it was written:[/] {escape(problem)}")
    if problems:
        sys.exit(2)


def render(record: Record, audio: bool = True) -> tuple[str, list[str]]:
    """A record's report as HTML, and what the check of its chain found."""
    problems = record.verify()
    summary = summarize(record.entries())
    folder = audio_of(record.path) if audio else None
    return page.html(summary, folder, problems, earlier(record.path, summary)), problems


def earlier(path: Path, summary: Summary) -> dict[str, list[Point]]:
    """The flame signal of earlier visits to the same appliance that lie beside this one, oldest first."""
    before = history(path.parent.parent, summary.job, summary.began, but=path).of(page.FLAME)
    return {page.FLAME: [Point(words.day(each.date), each.value) for each in before]}
