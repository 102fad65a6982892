"""`assistant record`: checks, seals and exports a visit's record, and erases its sound."""

from __future__ import annotations

import itertools
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal

import typer

from assistant.cli.terminal import FORCE, VISIT, complain, complain_of_record, free, group_app, lines
from assistant.errors import Problem
from assistant.places import write_whole
from assistant.record import folder as visits
from assistant.record import seal as seals
from assistant.record.record import Record
from assistant.record.story import story_of
from assistant.review.export import readings_csv, to_jsonl
from assistant.review.web.shop import Lodged

app = group_app("The record of a visit: verify, seal, export, erase-audio.")


@app.command()
def verify(
    visit: VISIT,
    head: Annotated[str, typer.Option("--head", help="The head that the technician noted, or its start.")] = "",
    store: Annotated[str, typer.Option("--store", help="A shop's store that may have its heads.")] = "",
) -> None:
    """Check a record whole. Its chain, its seal and every recording: what is not as it was recorded is named.

    Exit status 0: it is whole, and sealed; 1: it fits itself, and is not sealed; 2: it is not as it was recorded.
    """
    if head and not (len(head) >= 8 and set(head.lower()) <= set("0123456789abcdef")):
        raise Problem(f"{head!r} is no head: give at least the eight characters that were spoken at the end.")
    path = visits.find(visit)
    if not path.exists():
        raise Problem(f"There is no visit record {path}; check the name.")
    lodged = _lodged(path, store) if store else []
    checked = seals.check(path, head or None, [(each.entries, each.head) for each in lodged])
    for problem in checked.problems:
        complain("Not as it was recorded", problem)
    lines.print(f"{checked.entries} entries, {checked.recordings} recordings. Head of the record: {checked.head}")
    lines.print(f"Sealed on {checked.sealed}." if checked.sealed else "Not sealed.")
    for erasure in checked.erasures:
        names = sorted(erasure.files)
        who = f" by {erasure.by}" if erasure.by else ""
        what = f"{len(names)} recordings ({names[0]} to {names[-1]})" if names else "0 recordings"
        lines.print(f"Erased on {erasure.utc}{who}, {erasure.why}: {what}.")
    if checked.problems:
        sys.exit(2)
    lines.print("Its entries, its seal and its recordings fit each other." if checked.sealed else "Its entries fit.")
    for each in lodged:
        lines.print(f"Witnessed by the shop on {each.utc}, up to entry {each.entries}.")
    if head:
        lines.print("Witnessed by the head that was given.")
    if not (head or lodged):
        lines.print(NOT_WITNESSED)
    for warning in checked.warnings:
        complain("Not shown", warning)
    if checked.warnings:
        sys.exit(1)
    if head or lodged:
        lines.print("Everything is as it was recorded.")


NOT_WITNESSED = (
    "Not witnessed: a record that was cut off at its end, or written anew and sealed again, would look just the same. "
    "Give the head that was noted elsewhere with --head, or the shop's store with --store."
)


def _lodged(path: Path, store: str) -> list[Lodged]:
    from assistant.review.store.store import Store

    with Record.open(path, read_only=True) as record, Store.open(store) as shop:
        return [each for row in itertools.islice(record.rows(), 1) for each in shop.lodged(row.hash)]


@app.command()
def seal(visit: VISIT) -> None:
    """Seal a visit that has ended. A visit seals itself, unless it was stopped at that very moment."""
    with Record.open(visits.find(visit)) as record:
        lines.print(f"Sealed: {seals.seal(record).hash}")


@app.command()
def export(
    visit: VISIT,
    to: Annotated[Literal["jsonl", "csv"], typer.Option("--format", help="Every entry, or the readings.")] = "jsonl",
    out: Annotated[Path | None, typer.Option("--out", help="A file; else standard output.")] = None,
    force: FORCE = False,
) -> None:
    """Write a record as JSON Lines, or its readings as CSV. JSON Lines hold every entry, the seal's too.

    For PDF: assistant report.
    """
    path = visits.find(visit)
    out = out and free(out, force)
    with Record.open(path, read_only=True) as record:
        rows = [*record.rows(), *seals.sealed_rows(path)]
        text = to_jsonl(rows) if to == "jsonl" else readings_csv(story_of(record.entries()))
        problems = record.verify()
    if out is None:
        sys.stdout.write(text)
    else:
        write_whole(out, text.encode())
    complain_of_record(problems)


@app.command("erase-audio")
def erase_audio(
    visit: VISIT,
    by: Annotated[str, typer.Option("--by", help="Who erases them; it is recorded.")],
    why: Annotated[str, typer.Option("--why", help="The reason; it is recorded.")] = "",
    older_than: Annotated[
        int | None, typer.Option("--older-than", min=0, help="Only of visits that ended this many days ago or more.")
    ] = None,
    store: Annotated[
        str, typer.Option("--store", help="The shop's store, where the visits are signed off there.")
    ] = "",
) -> None:
    """Erase the recordings of a visit, or of a folder of visits, and those inside their reports.

    That they were, when, by whom and why stays provable. What is unsafe, disputed or not signed off is kept.
    """
    found = visits.all_in(visit)
    for left_out in found.left_out:
        complain("Left out", left_out)
    if len(found.records) > 1 and older_than is None:
        raise Problem(f"{visit} holds {len(found.records)} visits; name one of them, or say --older-than DAYS.")
    why = why or ("" if older_than is None else f"older than {older_than} days")
    if not (by.strip() and why.strip()):
        raise Problem("Say who erases them with --by, and the reason with --why: both are recorded.")
    from assistant.review import erasing

    before = datetime.now(UTC) - timedelta(days=older_than or 0)
    for path in found.records:
        if older_than is not None and _last_moment(path) > before:
            continue
        if kept := erasing.why_kept(path, store):
            if older_than is None:
                raise Problem(f"Nothing of {path} was erased: {kept}. Its sound may be needed.")
            lines.print(f"{path}: kept, {kept}.")
            continue
        names, made = erasing.erase(path, by.strip(), why.strip())
        lines.print(f"{path}: {len(names)} recordings erased.")
        for report in made:
            lines.print(f"Made again without sound: {report}")


def _last_moment(path: Path) -> datetime:
    with Record.open(path, read_only=True) as record:
        last = max((entry.utc for entry in record.entries()), default="")
    return datetime.fromisoformat(last) if last else datetime.now(UTC)
