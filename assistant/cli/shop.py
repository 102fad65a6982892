"""`assistant shop`, the store of a shop: sending visits, taking them in, what is not sent, backup and restore."""

from __future__ import annotations

import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from assistant.cli.terminal import FOLDER, complain, group_app, lines
from assistant.errors import Problem
from assistant.record import folder as visits
from assistant.review.store import copies
from assistant.review.store import retention as keeping
from assistant.review.store.accounts import Accounts, Role
from assistant.review.store.parcel import ODD, Parcel, from_export, from_record
from assistant.review.store.retention import AUDIO_DAYS, RECORD_YEARS
from assistant.review.store.store import Store
from assistant.review.web.shop import StoreDown

app = group_app("One store for the visits of many crews: an SQLite file, or PostgreSQL.")

STORE = Annotated[
    str,
    typer.Option(
        "--store",
        envvar="ASSISTANT_STORE",
        help="An SQLite file, or postgresql://user@host/name (the password from ~/.pgpass).",
    ),
]
DEFAULT = "shop.sqlite"

LODGE_EVERY_S = 60
"""How often the head of a running visit is lodged."""


@app.command()
def send(
    folder: FOLDER,
    visit: Annotated[list[Path] | None, typer.Argument(help="Visits; without any, all in the folder.")] = None,
    store: STORE = DEFAULT,
) -> None:
    """Send visits to the store. Sending again changes nothing, and goes on where it was stopped."""
    paths, missed = _look(visit or [folder])
    _store_all(store, [(path, from_record) for path in paths], missed)


@app.command()
def receive(
    source: Annotated[list[Path], typer.Argument(help="Folders of visits, or exports (.jsonl) of single visits.")],
    store: STORE = DEFAULT,
) -> None:
    """Take folders and exports of visits into the store."""
    exports = [path for path in source if path.suffix == ".jsonl"]
    records, missed = _look([path for path in source if path not in exports])
    _store_all(store, [*((path, from_export) for path in exports), *((path, from_record) for path in records)], missed)


def _look(paths: Iterable[Path]) -> tuple[list[Path], int]:
    """The records that are meant, and how many places could not be looked into, which is said."""
    records: list[Path] = []
    missed = 0
    for path in paths:
        found = visits.all_in(path)
        records += found.records
        missed += len(found.left_out)
        for left_out in found.left_out:
            complain("Left out", left_out)
    return records, missed


def _store_all(where: str, work: Iterable[tuple[Path, Callable[[Path], Parcel]]], missed: int) -> None:
    """Stores each; one that is refused does not keep the others out."""
    counts: Counter[str] = Counter()
    with Store.open(where, make=True) as store:
        for path, pack in work:
            try:
                parcel = pack(path)
                done = "invented, and left out" if visits.is_invented(parcel.rows) else store.receive(parcel)
            except StoreDown:
                raise
            except (Problem, *ODD) as problem:
                odd = "" if isinstance(problem, Problem) else f"{path} is no visit that can be understood: "
                complain("Refused", f"{odd}{problem}")
                done_as = "refused"
            else:
                done_as = done
                lines.print(f"{path}: {done}")
            counts[done_as] += 1
    lines.print("; ".join(f"{count} {what}" for what, count in sorted(counts.items())) + ".")
    if counts["refused"] or missed:
        sys.exit(2)


@app.command()
def pending(folder: FOLDER, store: STORE = DEFAULT) -> None:
    """List the visits that the store does not have, or not all of."""
    paths, missed = _look([folder])
    waiting = 0
    with Store.open(store) as opened:
        for path in paths:
            try:
                parcel = from_record(path)
            except Problem as problem:
                complain("Cannot be sent", problem)
                missed += 1
                continue
            if visits.is_invented(parcel.rows):
                continue
            entries, head = opened.head(parcel.id)
            if head != parcel.rows[-1].hash:
                waiting += 1
                lines.print(f"{parcel.where}: {entries} of {len(parcel.rows)} entries are in the store")
    lines.print(f"{waiting} of {len(paths)} visits are to be sent.")
    if missed:
        sys.exit(2)


@app.command()
def verify(store: STORE = DEFAULT) -> None:
    """Check every visit of the store: chain, seal, recordings, reviews, and what it is looked up by. Exit status 2 when
    something is not as it was recorded; such a visit then stands first in the list."""
    wrong = count = 0
    with Store.open(store) as opened:
        for problem in opened.warnings():
            complain("Not as it was recorded", problem)
            wrong += 1
        for visit in opened.ids():
            kept = opened.visit(visit)
            count += 1
            for problem in kept.problems if kept else ():
                complain(visit[:8], problem)
            wrong += bool(kept and kept.problems)
    lines.print(f"{count} visits; {wrong} not as it was recorded." if wrong else f"{count} visits, as they were sent.")
    if wrong:
        sys.exit(2)


@app.command()
def retention(
    audio_days: Annotated[int, typer.Option("--audio-days", min=0, help="How long recordings are kept.")] = AUDIO_DAYS,
    record_years: Annotated[
        int, typer.Option("--record-years", min=1, help="How long visits are kept.")
    ] = RECORD_YEARS,
    erase: Annotated[bool, typer.Option("--erase", help="Erases; without it, only says what would be.")] = False,
    by: Annotated[str, typer.Option("--by", help="Who erases; it is recorded.")] = "",
    store: STORE = DEFAULT,
) -> None:
    """Say what is older than the shop keeps it; with --erase, erase it.

    What is unsafe, disputed, not signed off or not as it was recorded stays. Backups are not changed: erase those by
    their age.
    """
    if erase and not by.strip():
        raise Problem("Say who erases with --by: it is recorded.")
    today = datetime.now(UTC)
    audio_before, records_before = (
        (today - timedelta(days=days)).isoformat() for days in (audio_days, record_years * 365.25)
    )
    why = f"older than the shop keeps it: recordings {audio_days} days, visits {record_years} years"
    counts: Counter[str] = Counter()
    with Store.open(store) as opened:
        for each in keeping.due(opened, audio_before, records_before):
            what = "the visit" if each.whole else f"{each.recordings} recordings"
            size = f" ({each.size / 1e6:.1f} MB)" if each.recordings else ""
            lines.print(f"{each.began[:10]} {each.site}: {f'kept, {each.kept}' if each.kept else what + size}")
            counts["kept" if each.kept else "whole" if each.whole else "sound"] += 1
            if erase and not each.kept:
                keeping.carry_out(opened, each, by.strip(), why)
    done = "Erased" if erase else "Would be erased"
    lines.print(
        f"{done}: {counts['whole']} visits, and the recordings of {counts['sound']} more. Kept all the same: "
        f"{counts['kept']}.{'' if erase else ' To erase: --erase --by NAME'}"
    )


@app.command(hidden=True)
def lodge(store: STORE = DEFAULT) -> None:
    """Lodge the heads that a running visit writes to standard input; `assistant visit --store` starts it."""
    last, done, why = "", 0, ""

    def read() -> None:
        nonlocal last
        for line in sys.stdin:
            last = line

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    goes_on = True
    while goes_on:
        reader.join(LODGE_EVERY_S)
        goes_on = reader.is_alive()
        visit, entries, head = last.split() if last else ("", "0", "")
        if int(entries) > done:
            try:
                with Store.open(store) as opened:
                    opened.lodge(visit, int(entries), head)
                done, why = int(entries), ""
            except Problem as problem:
                why = str(problem)
    if why:
        complain("Not lodged with the shop", why)


@app.command()
def user(
    name: Annotated[
        str, typer.Argument(help="The name as it is to stand beside a review; without it, all are listed.")
    ] = "",
    role: Annotated[Role | None, typer.Option("--role", help="Adds them, or gives them another role.")] = None,
    password: Annotated[bool, typer.Option("--password", help="Asks for a new password.")] = False,
    link: Annotated[
        bool, typer.Option("--link", help="Prints a link that opens the page once, within an hour.")
    ] = False,
    remove: Annotated[bool, typer.Option("--remove", help="Takes them out; what they signed stays.")] = False,
    at: Annotated[str, typer.Option("--at", help="Where the page is, for the link.")] = "http://127.0.0.1:8765",
    store: STORE = DEFAULT,
) -> None:
    """Say who may open the page of the store, and sign there: a technician looks, a supervisor signs, an owner signs
    their own visits, too. As soon as there is one, the page asks for name and password."""
    with Store.open(store) as opened:
        accounts = Accounts(opened)
        if not name:
            for each in accounts.all():
                lines.print(f"{each.name}: {each.role}")
            return
        if remove:
            accounts.remove(name)
            lines.print(f"{name} may not open the page any more.")
            return
        if role:
            accounts.put(name, role)
        if password:
            accounts.set_password(name, typer.prompt("Password", hide_input=True, confirmation_prompt=True))
        found = accounts.find(name)
        if found is None:
            raise Problem(f"Nobody has the name {name!r}; add them with: assistant shop user NAME --role ROLE")
        lines.print(f"{found.name}: {found.role}")
        if link:
            lines.print(f"{at}/enter?link={accounts.make_link(name)}")


@app.command()
def backup(
    to: Annotated[Path, typer.Argument(help="The new file.")],
    store: STORE = DEFAULT,
) -> None:
    """Copy the whole store into one file, while others go on using it."""
    copies.backup(store, to)
    lines.print(f"Backup: {to} ({to.stat().st_size / 1e6:.1f} MB). Keep it on another machine.")


@app.command()
def restore(
    file: Annotated[Path, typer.Argument(help="The backup.")],
    store: STORE = DEFAULT,
) -> None:
    """Make a store from a backup. Its file must not be there yet, or its database must be empty."""
    copies.restore(file, store)
    lines.print(f"The store {store} is there.")
