"""A shop in one folder: a store that fills itself from the visits that lie there and from what was said of them.

The store is a file of this run alone, to look things up in. A visit itself, its check and its recordings are read from
its own folder each time that they are asked for.
"""

from __future__ import annotations

import json
import os
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

from sqlalchemy import Connection, delete, select, update

from assistant.errors import Problem
from assistant.record.folder import RECORD
from assistant.record.record import Record, audio_of
from assistant.record.seal import recordings
from assistant.record.story import story_of
from assistant.review.store import schema as s
from assistant.review.store.parcel import derive, urgency
from assistant.review.store.store import Store, bring_up_to_date, url_of
from assistant.review.web.shop import Kept, Review, StoreDown

REVIEWS = "reviews.jsonl"
"""What supervisors said: one line each, only ever added to."""


class FolderStore(Store):
    """The visits under a folder, each named by its own folder. What changed there is taken in before it answers."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._of_this_run = tempfile.TemporaryDirectory(prefix="visits-")
        self._filling = threading.Lock()
        self._seen: dict[Path, int] = {}  # when each file was changed that was taken in, in ns
        super().__init__(url_of(str(Path(self._of_this_run.name) / "visits.sqlite")))
        with super()._asked(write=True) as connection:
            bring_up_to_date(connection, self.name, make=True)

    @contextmanager
    def _asked(self, write: bool = False) -> Iterator[Connection]:
        self._fill()
        with super()._asked(write) as connection:
            yield connection

    def visit(self, visit: str) -> Kept | None:
        """One visit; its chain is checked each time."""
        path = self._paths().get(visit)
        try:
            if path is None:
                return None
            with Record.open(path, read_only=True) as record:
                entries, problems = list(record.entries()), record.verify()
            appliance = story_of(entries).rules.job.appliance_key()
        except Problem:
            return None
        return Kept(visit, appliance, entries, self._reviews().get(visit, ()), problems)

    def recording(self, visit: str, name: str) -> bytes | None:
        """A recording; a name that is none of the record's is not looked for."""
        path = self._paths().get(visit)
        try:
            if path is None:
                return None
            with Record.open(path, read_only=True) as record:
                named = name in recordings(record.rows())
            return (audio_of(path) / Path(name).name).read_bytes() if named else None
        except (Problem, OSError):
            return None

    def add_review(self, visit: str, review: Review) -> None:
        """Adds a line, synced before it counts."""
        line = json.dumps({"visit": visit, **asdict(review)}, ensure_ascii=False)
        try:
            with (self._folder / REVIEWS).open("a", encoding="utf-8") as out:
                out.write(line + "\n")
                out.flush()
                os.fsync(out.fileno())
        except OSError as wrong:
            raise StoreDown(f"The review could not be kept in {self._folder} ({wrong.strerror}); try again.") from wrong

    def _paths(self) -> dict[str, Path]:
        """The records by the names of their visits."""
        if not self._folder.is_dir():
            raise StoreDown(f"The folder {self._folder} is not there now; put it back, then load the page again.")
        here = self._folder / RECORD
        paths = {path.parent.name: path for path in self._folder.glob(f"*/{RECORD}")}
        return paths | ({self._folder.resolve().name: here} if here.is_file() else {})

    def _reviews(self) -> dict[str, list[Review]]:
        reviews: dict[str, list[Review]] = {}
        try:
            lines = (self._folder / REVIEWS).read_text(encoding="utf-8").splitlines()
        except FileNotFoundError:
            return reviews
        except OSError as wrong:
            raise StoreDown(f"The reviews in {self._folder} cannot be read ({wrong.strerror}); mend that.") from wrong
        for line in lines:
            body = json.loads(line)
            reviews.setdefault(body.pop("visit"), []).append(Review(**body))
        return reviews

    def _fill(self) -> None:
        """Takes in what changed in the folder; what is no visit is left out."""
        with self._filling:
            paths = self._paths()
            files = [path for path in (*paths.values(), self._folder / REVIEWS) if path.exists()]
            seen = {path: path.stat().st_mtime_ns for path in files}
            if seen == self._seen:
                return
            with super()._asked(write=True) as connection:
                there = set(connection.scalars(select(s.visit.c.id)))
                for name in sorted(there | set(paths)):
                    path = paths.get(name)
                    if path is None or seen.get(path) != self._seen.get(path):
                        self._take_in(connection, name, path)
                reviews = self._reviews()
                for row in connection.execute(select(s.visit)).all():
                    standing = reviews[row.id][-1].standing if row.id in reviews else "open"
                    values = {"standing": standing, "urgency": urgency(row._mapping, standing)}
                    connection.execute(update(s.visit).where(s.visit.c.no == row.no).values(values))
            self._seen = seen

    def _take_in(self, connection: Connection, name: str, path: Path | None) -> None:
        """A visit as its record is now; none where that is gone or cannot be read."""
        no = connection.scalar(select(s.visit.c.no).where(s.visit.c.id == name))
        for table in (*s.DERIVED, s.visit):
            connection.execute(delete(table).where((s.visit.c.no if table is s.visit else table.c.visit) == no))
        try:
            if path:
                with Record.open(path, read_only=True) as record:
                    derived = derive(list(record.entries()))
                self._look_up(connection, self._visit_of(connection, name, derived), derived)
        except Problem:
            return  # no record, or one that never began
