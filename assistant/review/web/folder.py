"""A shop in one folder: the visits that lie in it, and what was said of them. Enough for one crew; no database."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from assistant.errors import Problem
from assistant.review.report.page import attention
from assistant.review.summary import Summary, summarize
from assistant.review.web.shop import By, Kept, Listed, Measured, Review, Search, StepCount, StoreDown
from assistant.visit.chain import Entry
from assistant.visit.folder import RECORD
from assistant.visit.record import Record, audio_of

REVIEWS = "reviews.jsonl"
"""What supervisors said: one line each, only ever added to."""


@dataclass(frozen=True)
class _Read:
    """A visit as it was read: changed (its file's time in ns) tells when to read it again."""

    changed: int
    summary: Summary
    entries: tuple[Entry, ...]
    problems: tuple[str, ...]


class FolderShop:
    """The visits under a folder, each named by its own folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._known: dict[str, _Read] = {}

    def crews(self) -> Sequence[str]:
        """The names of the technicians."""
        return sorted({read.summary.job.technician.name for read in self._all().values()})

    def visits(self, asked: Search, first: int, most: int) -> Sequence[Listed]:
        """Visits that fit, what needs somebody first, then the newest."""
        reviews = self._reviews()
        listed = [_listed(name, read.summary, reviews.get(name, ())) for name, read in self._all().items()]
        fitting = [visit for visit in listed if _fits(visit, asked)]
        fitting.sort(key=lambda visit: visit.utc, reverse=True)
        fitting.sort(key=urgency)
        return fitting[first : first + most]

    def visit(self, visit: str) -> Kept | None:
        """One visit."""
        read = self._all().get(visit)
        if read is None:
            return None
        reviews = self._reviews().get(visit, ())
        return Kept(visit, _appliance(read.summary), read.entries, reviews, read.problems)

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
        for name, read in sorted(self._all().items(), key=lambda item: item[1].summary.began):
            if _appliance(read.summary) != appliance:
                continue
            for r in read.summary.standing:
                if r.number is not None:
                    point = Measured(r.utc, name, r.quantity, r.number, r.judged_unit, r.judged.outcome)
                    trends.setdefault(r.quantity, []).append(point)
        return trends

    def steps(self, by: By) -> Sequence[StepCount]:
        """What goes wrong most, first."""
        counts: dict[tuple[str, str], Counter[str]] = {}
        for read in self._all().values():
            group = read.summary.job.technician.name if by == "crew" else _microphone(read.entries)
            touched: set[str] = set()
            for entry in read.entries:
                step = entry.body.get("step")
                if not isinstance(step, str):
                    continue
                count = counts.setdefault((group, step), Counter())
                count[entry.kind] += 1
                if step not in touched:
                    touched.add(step)
                    count["visits"] += 1
        rows = [
            StepCount(group, step, c["visits"], c["refused"], c["correction"], c["skipped"], c["unclear"])
            for (group, step), c in counts.items()
            if c["refused"] + c["correction"] + c["skipped"] + c["unclear"]
        ]
        return sorted(rows, key=lambda r: (-(r.refused + r.corrected + r.skipped + r.unclear), r.group, r.step))

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
        return _Read(changed, summarize(entries), entries, tuple(record.verify()))


def _listed(name: str, summary: Summary, reviews: Sequence[Review]) -> Listed:
    found = attention(summary)
    return Listed(
        visit=name,
        utc=summary.began,
        site=summary.job.site,
        appliance=_appliance(summary),
        crew=summary.job.technician.name,
        procedure=summary.procedure.title,
        closed=summary.closed,
        unsafe=bool(summary.emergencies or summary.ending.notice),
        outside=len(found.out) + len(summary.remarks),
        watch=len(found.watch) + len(found.unknown),
        not_checked=len(summary.not_checked),
        corrections=len(summary.corrections),
        standing=reviews[-1].standing if reviews else "open",
    )


def urgency(visit: Listed) -> int:
    """Where a visit comes in the list: unsafe and not signed off, to be followed up, new, signed off."""
    if visit.standing == "signed off":
        return 3
    if visit.unsafe:
        return 0
    follow_up = visit.outside or visit.watch or visit.not_checked or not visit.closed
    return 1 if follow_up or visit.standing == "returned" else 2


def _fits(visit: Listed, asked: Search) -> bool:
    text = f"{visit.site} {visit.appliance} {visit.crew} {visit.procedure}".lower()
    outcome = {
        "unsafe": visit.unsafe,
        "outside": visit.outside > 0,
        "watch": visit.watch > 0,
        "not checked": visit.not_checked > 0,
        "unfinished": not visit.closed,
    }
    return (
        all(word in text for word in asked.words.lower().split())
        and asked.crew in ("", visit.crew)
        and asked.standing in ("", visit.standing)
        and outcome.get(asked.outcome, True)
    )


def _appliance(summary: Summary) -> str:
    """The name under which the visits to an appliance are found."""
    return summary.job.appliance_key()


def _microphone(entries: Sequence[Entry]) -> str:
    """The first microphone of a visit, as its device entry names it."""
    for entry in entries:
        if entry.kind == "device" and isinstance(route := entry.body.get("microphone"), dict):
            return str(route.get("microphone") or "the system's own")
    return "not recorded"
