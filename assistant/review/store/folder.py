"""A shop in one folder: a store that fills itself from the visits that lie there and from what was said of them.

The store is a file of this run alone, to look things up in. A visit is checked whole when it is taken in, when its
files have changed since, and each time that it is opened, signed or played: what is shown of it comes from its own
folder.

What was said lies in `REVIEWS`: a line for each review, entries of one chain (`chain.to_line`) that is only added to.
Lines of an earlier version have no hash; the sign-offs among them are of no particular record, and have lapsed.
"""

from __future__ import annotations

import json
import math
import os
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import filelock
from sqlalchemy import Connection, delete, select

from assistant.errors import Problem
from assistant.record.chain import (
    GENESIS,
    Entry,
    canonical_json,
    chained,
    entry_hash,
    from_line,
    to_line,
    verify_entries,
)
from assistant.record.folder import Found, look, name_in
from assistant.record.record import Record, audio_of, seal_of, system_clock, whole
from assistant.record.seal import Checked, check, recordings
from assistant.review.store import schema as s
from assistant.review.store.parcel import LARGEST_RECORDING, Derived, nothing_of, too_large, understood
from assistant.review.store.store import Store, as_recorded, bring_up_to_date, url_of
from assistant.review.web.shop import (
    STANDINGS,
    Kept,
    Review,
    StoreDown,
    standing_of,
)

REVIEWS = "reviews.jsonl"
"""What supervisors said."""


@dataclass
class Said:
    """What the file of reviews holds."""

    reviews: dict[str, list[Review]] = field(default_factory=dict)  # by visit
    problems: list[str] = field(default_factory=list)  # a sentence each
    rows: list[Entry] = field(default_factory=list)


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
    found: list[tuple[str, Review, Entry | None]] = []
    for number, line in enumerate(lines, 1):
        try:
            body = json.loads(line)
            row = from_line(line.decode()) if "hash" in body else None
            body = row.body if row else body
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


def _after_the_last_break(rows: Sequence[Entry]) -> Iterator[str]:
    """The hashes of the rows at the end of a chain that follow each other, the last first."""
    after: Entry | None = None
    for row in reversed(rows):
        if entry_hash(row[:6]) != row.hash or (after and (after.previous, after.seq) != (row.hash, row.seq + 1)):
            return
        yield row.hash
        after = row


class FolderStore(Store):
    """The visits under a folder, each named by its own folder. What changed there is taken in before it answers.

    patience_s: how long a list waits for that; it then names how many are not in it yet. Everything else waits.
    """

    def __init__(self, folder: Path, patience_s: float = math.inf) -> None:
        self._folder, self.patience_s = folder, patience_s
        self._of_this_run = tempfile.TemporaryDirectory(prefix="visits-")
        self._filling = threading.Lock()
        self._seen: dict[str, tuple[Path, int]] = {}  # the record and the stamp of each visit that was taken in
        self._there: dict[str, tuple[Path, int]] = {}  # and of each that is there, as it was looked at last
        self._changed: list[str] = []  # the visits that are to be taken in, the next one last
        self._said = Said()
        self._left_out: list[str] = []
        super().__init__(url_of(str(Path(self._of_this_run.name) / "visits.sqlite")))
        with self._asked(write=True) as connection:
            bring_up_to_date(connection, self.name, make=True)

    def visit(self, visit: str) -> Kept | None:
        """One visit; it is checked whole each time."""
        path = self._paths().get(visit)
        if path is None:
            return None
        reviews = read_reviews(self._folder).reviews.get(visit, ())
        derived, entries, checked = _found_in(path, visit)
        appliance, crew = derived.visit["appliance"], derived.visit["crew"]
        kept = Kept(visit, appliance, entries, reviews, checked.problems, checked.warnings, crew)
        for there in self._all(select(s.visit).where(s.visit.c.id == visit)):
            self._put_right(there, kept)
        return kept

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
        """What could not be looked into, and what is wrong with the reviews, when the list was made."""
        return [*self._left_out, *self._said.problems]

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
                (row,) = chained(last, [("review", body)], *system_clock())
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

    @property
    def waiting(self) -> int:
        """Visits that are not in a list yet."""
        return len(self._changed)

    def fill(self, patience_s: float = math.inf) -> None:
        """Looks what changed in the folder, and takes it in for so long."""
        self.look_again()
        self.take_in(patience_s)

    def look_again(self) -> None:
        """Looks what changed in the folder."""
        with self._filling:
            found, said = self._look(), read_reviews(self._folder)
            self._left_out = found.left_out
            self._there = {name_in(self._folder, path): (path, _stamp(path)) for path in found.records}
            names = self._seen.keys() | self._there.keys()
            changed = [name for name in names if self._seen.get(name) != self._there.get(name)]
            self._changed = sorted(changed, key=self._age, reverse=True)
            if said != self._said:
                self._said = said
                with self._asked(write=True) as connection:
                    for row in connection.execute(select(s.visit)).all():
                        standing = standing_of(said.reviews.get(row.id, ()), row.entries, row.head)
                        self._mark(connection, row, standing=standing)

    def _age(self, name: str) -> float:
        """Seconds since a visit's record was written, from some moment; what is gone has none."""
        try:
            return -self._there[name][0].stat().st_mtime
        except (KeyError, OSError):
            return -math.inf

    def take_in(self, patience_s: float = math.inf) -> None:
        """Takes in what changed, the newest first, for so long. Several threads may do so at once."""
        until = time.monotonic() + patience_s
        while self._changed:
            with self._filling:
                if not self._changed:
                    return
                name = self._changed[-1]
                there = self._there.get(name)
                with self._asked(write=True) as connection:
                    self._take_in(connection, name, there[0] if there else None)
                self._changed.pop()
                self._seen.pop(name, None)
                if there:
                    self._seen[name] = there
            if time.monotonic() > until:
                return
            time.sleep(0)  # a lock is not fair: whoever waits for it gets it now

    def _take_in(self, connection: Connection, name: str, path: Path | None) -> None:
        """A visit as its record is now, or what is wrong with it; nothing where it is gone."""
        no = connection.scalar(select(s.visit.c.no).where(s.visit.c.id == name))
        for table in (*s.DERIVED, s.visit):
            connection.execute(delete(table).where((s.visit.c.no if table is s.visit else table.c.visit) == no))
        if path is None:
            return
        derived, entries, checked = _found_in(path, name)
        row = self._visit_of(connection, name, derived)
        head = (len(entries), entries[-1].hash if entries else "")
        standing = standing_of(self._said.reviews.get(name, ()), *head)
        self._look_up(connection, row.no, derived, standing, checked.problems[0] if checked.problems else "", head)


def _found_in(path: Path, name: str) -> tuple[Derived, list[Entry], Checked]:
    """What is looked for in a record, its entries as far as they can be read, and what its check finds."""
    checked = check(path)
    entries: list[Entry] = []
    try:
        for entry in whole(checked.rows, path):
            entries.append(entry)
        return understood(entries, str(path)), entries, checked
    except Problem as wrong:
        if str(wrong) not in checked.problems:
            checked.problems.append(str(wrong))
        return nothing_of(name), entries, checked


def _stamp(path: Path) -> int:
    """Changes with a record, its log, its seal and its recordings. A time of change is set by the system alone."""
    stamps = set()
    for file in (path, Path(f"{path}-wal"), seal_of(path)):
        with suppress(OSError):
            stamps.add((file.name, _changed(file.stat())))
    with suppress(OSError), os.scandir(audio_of(path)) as sounds:
        stamps |= {(sound.name, _changed(sound.stat())) for sound in sounds}
    return hash(frozenset(stamps))


def _changed(file: os.stat_result) -> tuple[int, int, int]:
    return file.st_ino, file.st_ctime_ns, file.st_size
