"""A shop in one folder: a store that fills itself from the visits that lie there and from what was said of them.

The store is a file of this run alone, to look things up in. A visit itself, its check and its recordings are read from
its own folder each time that they are asked for.

What was said lies in `REVIEWS`: a line for each review, entries of one chain (`chain.to_line`) that is only added to.
Lines of an earlier version have no hash; the sign-offs among them are of no particular record, and have lapsed.
"""

from __future__ import annotations

import json
import os
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import filelock
from sqlalchemy import Connection, delete, select, update

from assistant.errors import Problem
from assistant.record.chain import (
    GENESIS,
    Entry,
    Row,
    canonical_json,
    chained,
    entry_hash,
    from_line,
    to_line,
    verify_entries,
)
from assistant.record.folder import Found, look, name_in
from assistant.record.record import Record, audio_of, seal_of
from assistant.record.seal import check, recordings
from assistant.review.store import schema as s
from assistant.review.store.parcel import LARGEST_RECORDING, Derived, nothing_of, too_large, understood, urgency
from assistant.review.store.store import Store, as_recorded, bring_up_to_date, now, url_of
from assistant.review.web.shop import STANDINGS, Kept, Review, StoreDown, standing_of

REVIEWS = "reviews.jsonl"
"""What supervisors said."""


@dataclass
class Said:
    """What the file of reviews holds."""

    reviews: dict[str, list[Review]] = field(default_factory=dict)  # by visit
    problems: list[str] = field(default_factory=list)  # a sentence each
    rows: list[Row] = field(default_factory=list)


def read_reviews(folder: Path) -> Said:
    """What supervisors said of the visits in a folder. Raises StoreDown where the file cannot be read.

    A line that is none is named and passed over. Where the chain is broken, what was signed before the last break is
    of no record any more: the sign-offs have lapsed.
    """
    said = Said()
    try:
        lines = (folder / REVIEWS).read_bytes().splitlines()
    except FileNotFoundError:
        return said
    except OSError as wrong:
        raise StoreDown(f"The reviews in {folder} cannot be read ({wrong.strerror}); mend that.") from wrong
    found: list[tuple[str, Review, Row | None]] = []
    for number, line in enumerate(lines, 1):
        try:
            body = json.loads(line)
            row = from_line(line.decode()) if "hash" in body else None
            body = json.loads(row.body) if row else body
            visit, review = body.pop("visit"), Review(**body)
            if review.standing not in STANDINGS:
                raise ValueError(review.standing)
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            said.problems.append(f"Line {number} of {REVIEWS} is no review; it was passed over.")
            continue
        found.append((str(visit), review, row))
    said.rows = [row for _, _, row in found if row]
    said.problems += [f"Of the reviews in {REVIEWS}: {each}" for each in verify_entries(said.rows)]
    binding = set(_after_the_last_break(said.rows))
    for visit, review, row in found:
        binds = row is not None and row.hash in binding
        said.reviews.setdefault(visit, []).append(review if binds else replace(review, head="", entries=0))
    return said


def _after_the_last_break(rows: Sequence[Row]) -> Iterator[str]:
    """The hashes of the rows at the end of a chain that follow each other, the last first."""
    after: Row | None = None
    for row in reversed(rows):
        if entry_hash(row[:6]) != row.hash or (after and (after.previous, after.seq) != (row.hash, row.seq + 1)):
            return
        yield row.hash
        after = row


class FolderStore(Store):
    """The visits under a folder, each named by its own folder. What changed there is taken in before it answers."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._of_this_run = tempfile.TemporaryDirectory(prefix="visits-")
        self._filling = threading.Lock()
        self._seen: dict[Path, int] = {}  # the stamp of each record that was taken in, and of the reviews
        super().__init__(url_of(str(Path(self._of_this_run.name) / "visits.sqlite")))
        with super()._asked(write=True) as connection:
            bring_up_to_date(connection, self.name, make=True)

    @contextmanager
    def _asked(self, write: bool = False) -> Iterator[Connection]:
        self._fill()
        with super()._asked(write) as connection:
            yield connection

    def visit(self, visit: str) -> Kept | None:
        """One visit; it is checked whole each time."""
        path = self._paths().get(visit)
        if path is None:
            return None
        checked, reviews = check(path), read_reviews(self._folder).reviews.get(visit, ())
        problems = list(checked.problems)
        entries: list[Entry] = []
        appliance = ""
        try:
            with Record.open(path, read_only=True) as record:
                for entry in record.entries():
                    entries.append(entry)
            appliance = understood(entries, str(path)).appliance
        except Problem as wrong:
            problems += [str(wrong)] if str(wrong) not in problems else []
        return Kept(visit, appliance, entries, reviews, problems, checked.warnings)

    def recording(self, visit: str, name: str) -> bytes | None:
        """A recording; a name that is none of the record's is not looked for. Problem as in `Store.recording`."""
        path = self._paths().get(visit)
        try:
            if path is None:
                return None
            with Record.open(path, read_only=True) as record:
                digest = recordings(record.rows()).get(name)
            sound = audio_of(path) / Path(name).name
            if not digest or not sound.is_file():
                return None
            size, data = sound.stat().st_size, b""
            if size <= LARGEST_RECORDING:
                data = sound.read_bytes()
        except (Problem, OSError):
            return None
        if size > LARGEST_RECORDING:
            raise Problem(too_large(name))
        return as_recorded(name, data, digest)

    def warnings(self) -> list[str]:
        """What could not be looked into, and what is wrong with the reviews."""
        return [*self._look().left_out, *read_reviews(self._folder).problems]

    def add_review(self, visit: str, review: Review) -> None:
        """Adds an entry, synced before it counts. Raises Problem as `Store.add_review` does."""
        kept = self.visit(visit)
        if kept is None:
            raise Problem("There is no such visit in this folder; load the list again.")
        kept.refuse(review)
        file = self._folder / REVIEWS
        try:
            with filelock.FileLock(self._folder / f".{REVIEWS}.lock", timeout=10):
                rows = read_reviews(self._folder).rows
                last = (rows[-1].seq, rows[-1].hash) if rows else (0, GENESIS)
                body = canonical_json({"visit": visit, **asdict(review)})
                (row,) = chained(last, [("review", body)], now(), time.monotonic())
                torn = file.exists() and not file.read_bytes().endswith(b"\n")
                with file.open("a", encoding="utf-8") as out:
                    out.write("\n" * torn + to_line(row) + "\n")
                    out.flush()
                    os.fsync(out.fileno())
        except (OSError, filelock.Timeout) as wrong:
            why = getattr(wrong, "strerror", "") or "another program holds it"
            raise StoreDown(f"The review could not be kept in {self._folder} ({why}); try again.") from wrong

    def _look(self) -> Found:
        if not self._folder.is_dir():
            raise StoreDown(f"The folder {self._folder} is not there now; put it back, then load the page again.")
        return look(self._folder)

    def _paths(self) -> dict[str, Path]:
        """The records by the names of their visits."""
        return {name_in(self._folder, path): path for path in self._look().records}

    def _fill(self) -> None:
        """Takes in what changed in the folder."""
        with self._filling:
            paths = self._paths()
            seen = {path: _stamp(path) for path in (*paths.values(), self._folder / REVIEWS)}
            if seen == self._seen:
                return
            with super()._asked(write=True) as connection:
                there = set(connection.scalars(select(s.visit.c.id)))
                for name in sorted(there | set(paths)):
                    path = paths.get(name)
                    if path is None or seen.get(path) != self._seen.get(path):
                        self._take_in(connection, name, path)
                reviews = read_reviews(self._folder).reviews
                for row in connection.execute(select(s.visit)).all():
                    standing = standing_of(reviews.get(row.id, ()), row.entries, row.head)
                    values = {"standing": standing, "urgency": urgency(row._mapping, standing, row.problem)}
                    connection.execute(update(s.visit).where(s.visit.c.no == row.no).values(values))
            self._seen = seen

    def _take_in(self, connection: Connection, name: str, path: Path | None) -> None:
        """A visit as its record is now, or what is wrong with it; nothing where it is gone."""
        no = connection.scalar(select(s.visit.c.no).where(s.visit.c.id == name))
        for table in (*s.DERIVED, s.visit):
            connection.execute(delete(table).where((s.visit.c.no if table is s.visit else table.c.visit) == no))
        if path is None:
            return
        derived, last, problems = _found_in(path, name)
        row = self._visit_of(connection, name, derived)
        self._look_up(connection, row.no, derived, "open", problems[0] if problems else "")
        values = {"entries": last[0], "head": last[1]}
        connection.execute(update(s.visit).where(s.visit.c.no == row.no).values(values))


def _found_in(path: Path, name: str) -> tuple[Derived, tuple[int, str], list[str]]:
    """What is looked for in a record, the number and the hash of its last entry, and what its check finds."""
    problems = check(path).problems
    try:
        with Record.open(path, read_only=True) as record:
            entries = list(record.entries())
        return understood(entries, str(path)), (len(entries), entries[-1].hash), problems
    except Problem as wrong:
        return nothing_of(name), (0, ""), [*problems, str(wrong)]


def _stamp(path: Path) -> int:
    """Changes with a file: a record's with its log, its seal and its recordings."""
    stamps: list[tuple[str, int, int]] = []
    sounds = audio_of(path)
    beside = [path, Path(f"{path}-wal"), seal_of(path), *(sounds.iterdir() if sounds.is_dir() else ())]
    for file in beside:
        with suppress(OSError):
            found = file.stat()
            stamps.append((file.name, found.st_mtime_ns, found.st_size))
    return hash(tuple(sorted(stamps)))
