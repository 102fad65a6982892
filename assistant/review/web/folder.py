"""A shop in one folder: the visits that lie in it, and what was said of them. Enough for one crew; no database."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from decimal import Decimal
from pathlib import Path

from assistant.errors import Problem
from assistant.record.chain import Entry
from assistant.record.folder import RECORD
from assistant.record.record import Record, audio_of
from assistant.review.store.parcel import WRONG_IN_STEP, Derived, derive, urgency
from assistant.review.web.shop import (
    By,
    Kept,
    Listed,
    Measured,
    Review,
    Search,
    Standing,
    StepCount,
    StoreDown,
    worst_first,
)

REVIEWS = "reviews.jsonl"
"""What supervisors said: one line each, only ever added to."""


@dataclass(frozen=True)
class _Read:
    """A visit as it was read: changed (its file's time in ns) tells when to read it again."""

    changed: int
    derived: Derived
    entries: tuple[Entry, ...]
    problems: tuple[str, ...]


class FolderShop:
    """The visits under a folder, each named by its own folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._known: dict[str, _Read] = {}

    def crews(self) -> Sequence[str]:
        """The names of the technicians."""
        return sorted({read.derived.crew for read in self._all().values()})

    def visits(self, asked: Search, first: int, most: int) -> Sequence[Listed]:
        """Visits that fit, what needs somebody first, then the newest."""
        reviews = self._reviews()
        fitting: list[tuple[int, Listed]] = []
        for name, read in self._all().items():
            standing: Standing = reviews[name][-1].standing if name in reviews else "open"
            if _fits(read.derived, standing, asked):
                fitting.append((urgency(read.derived.visit, standing), _listed(name, read.derived, standing)))
        fitting.sort(key=lambda visit: (visit[0], visit[1].utc), reverse=True)
        return [visit for _, visit in fitting[first : first + most]]

    def visit(self, visit: str) -> Kept | None:
        """One visit."""
        read = self._all().get(visit)
        if read is None:
            return None
        reviews = self._reviews().get(visit, ())
        return Kept(visit, read.derived.appliance, read.entries, reviews, read.problems)

    def recording(self, visit: str, name: str) -> bytes | None:
        """A recording; a name that is none of the record's is not looked for."""
        read = self._all().get(visit)
        if read is None or not any(entry.body.get("audio") == name for entry in read.entries):
            return None
        try:
            return (audio_of(self._path(visit)) / Path(name).name).read_bytes()
        except OSError:
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

    def trends(self, appliance: str) -> Mapping[str, Sequence[Measured]]:
        """An appliance's readings by quantity, oldest first."""
        trends: dict[str, list[Measured]] = {}
        for name, read in sorted(self._all().items(), key=lambda item: str(item[1].derived.visit["began"])):
            for r in read.derived.reading if read.derived.appliance == appliance else ():
                point = Measured(r["utc"], name, r["quantity"], Decimal(r["value"]), r["unit"], r["outcome"])
                trends.setdefault(r["quantity"], []).append(point)
        return trends

    def steps(self, by: By) -> Sequence[StepCount]:
        """What goes wrong most, first."""
        counts: dict[tuple[str, str], Counter[str]] = {}
        for read in self._all().values():
            for step in read.derived.step:
                of = (read.derived.crew if by == "crew" else read.derived.microphone, step["step"])
                counts.setdefault(of, Counter()).update(
                    visits=1, **{name: step[name] for name in WRONG_IN_STEP.values()}
                )
        return worst_first(
            StepCount(*of, c["visits"], *(c[name] for name in WRONG_IN_STEP.values())) for of, c in counts.items()
        )

    def _path(self, visit: str) -> Path:
        return self._folder / RECORD if visit == self._folder.resolve().name else self._folder / visit / RECORD

    def _all(self) -> dict[str, _Read]:
        """Every visit that can be read; what is no visit is left out. Read again only where the file changed."""
        if not self._folder.is_dir():
            raise StoreDown(f"The folder {self._folder} is not there now; put it back, then load the page again.")
        here = self._folder / RECORD
        paths = {path.parent.name: path for path in self._folder.glob(f"*/{RECORD}")}
        if here.is_file():
            paths[self._folder.resolve().name] = here
        known: dict[str, _Read] = {}
        for name, path in paths.items():
            try:
                changed = path.stat().st_mtime_ns
                before = self._known.get(name)
                known[name] = before if before and before.changed == changed else _read(path, changed)
            except (OSError, Problem):
                continue  # no record, or one that never began
        self._known = known
        return known

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


def _read(path: Path, changed: int) -> _Read:
    with Record.open(path, read_only=True) as record:
        entries = tuple(record.entries())
        return _Read(changed, derive(entries), entries, tuple(record.verify()))


def _listed(name: str, derived: Derived, standing: Standing) -> Listed:
    there = {each.name: derived.visit[each.name] for each in fields(Listed) if each.name in derived.visit}
    more = {"utc": derived.visit["began"], "appliance": derived.appliance, "crew": derived.crew}
    return Listed(visit=name, standing=standing, **there, **more)


def _fits(derived: Derived, standing: Standing, asked: Search) -> bool:
    visit = derived.visit
    outcome = {
        "unsafe": visit["unsafe"],
        "outside": visit["outside"] > 0,
        "watch": visit["watch"] > 0,
        "not checked": visit["not_checked"] > 0,
        "unfinished": not visit["closed"],
    }
    return (
        all(word in visit["search"] for word in asked.words.lower().split())
        and asked.crew in ("", derived.crew)
        and asked.standing in ("", standing)
        and outcome.get(asked.outcome, True)
    )
