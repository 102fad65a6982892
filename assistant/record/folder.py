"""Where visits lie: a folder with one record a visit, its recordings beside it."""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from os.path import realpath
from pathlib import Path

from assistant.errors import Problem
from assistant.places import visits_folder
from assistant.record.chain import Entry
from assistant.record.entries import Event, Visit, read
from assistant.record.record import END, Record, is_record
from assistant.record.setting import setting_of

RECORD = "visit.sqlite"


def new_record_path(folder: Path, utc: str, site: str) -> Path:
    """A path for a new visit's record in a folder of its own, named by its time and site."""
    stamp = re.sub(r"[^0-9T]", "", utc.split(".", maxsplit=1)[0])
    name = re.sub(r"[^a-z0-9]+", "-", site.lower()).strip("-")[:40] or "visit"
    made = folder / f"{stamp}-{name}"
    make(made)
    return made / RECORD


def make(folder: Path) -> None:
    """Makes a folder; Problem when that cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise Problem(
            f"The folder {folder} cannot be made ({wrong.strerror}); choose another with --folder."
        ) from wrong


def set_aside(folder: Path) -> None:
    """Moves what an earlier demo left in `folder` into `folder`/earlier, so that nothing recorded is lost."""
    record = folder / RECORD
    if not record.exists():
        return
    target = folder / "earlier" / f"{record.stat().st_mtime_ns}"
    make(target)
    for path in folder.iterdir():
        if path.name.startswith("visit") or path.name in ("turns.txt", "report.html"):
            path.rename(target / path.name)


def find(path: Path) -> Path:
    """The record that a person means by a path: the file itself, or the folder that holds it."""
    if path.is_dir():
        inside = path / RECORD
        if not inside.is_file():
            raise Problem(f"{path} holds no visit record ({RECORD}); name a visit's folder or its record.")
        return inside
    return path


def is_invented(rows: Iterable[Entry]) -> bool:
    """Whether the first entry of a visit says that it is invented, as those of the demo do."""
    try:
        return bool(next(iter(rows)).body["job"]["invented"])
    except (StopIteration, ValueError, KeyError, TypeError):
        return False


def holds_demo(folder: Path) -> bool:
    """Whether the record in a folder is that of a demo."""
    try:
        with Record.open(folder / RECORD, read_only=True) as record:
            return is_invented(record.rows())
    except Problem:
        return False


def resume_command(folder: Path) -> str:
    """What to type to go on with the unfinished visit in a folder."""
    return "assistant visit --resume" + ("" if folder == visits_folder() else f" --folder {shlex.quote(str(folder))}")


def is_of_a_visit(path: Path) -> bool:
    """Whether a file is a visit's record, one of its recordings, or has a name that is kept for what lies beside it."""
    path = path.resolve()
    beside = path.parent if path.parent.suffix == ".audio" else path
    try:
        records = [each for each in beside.parent.iterdir() if each.name == RECORD or is_record(each)]
    except OSError:
        return False
    return any(re.match(rf"{re.escape(record.stem)}[.-]", beside.name) for record in records)


@dataclass(frozen=True)
class Found:
    """What lies below a folder."""

    records: list[Path] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)  # what could not be looked into, a sentence each


def look(folder: Path) -> Found:
    """Every record below a folder, at any depth; links are followed, and nothing is found twice.

    A record is a file of the name `RECORD`, whatever is in it, or another SQLite file that says that it is one.
    """
    found, seen = Found(), set[str]()

    def not_read(wrong: OSError) -> None:
        found.left_out.append(f"The folder {wrong.filename} cannot be looked into ({wrong.strerror}).")

    for at, folders, files in os.walk(folder, onerror=not_read, followlinks=True):
        seen.add(realpath(at))
        folders[:] = sorted(name for name in folders if realpath(f"{at}{os.sep}{name}") not in seen)
        if RECORD in folders:
            found.left_out.append(f"{Path(at) / RECORD} is a folder, and no record.")
        for path in (Path(at) / name for name in sorted(name for name in files if name.endswith(".sqlite"))):
            if path.name == RECORD and not path.is_file():
                found.left_out.append(f"{path} leads nowhere: the record is somewhere else, or gone.")
            elif path.name == RECORD or is_record(path):
                found.records.append(path)
    return found


def all_in(path: Path) -> Found:
    """The record that is meant by a path, or every record below a folder; Problem where there is none."""
    found = look(path) if path.is_dir() else Found()
    return found if found.records or found.left_out else Found([find(path)])


def name_in(folder: Path, record: Path) -> str:
    """The name of a record among those below a folder: where it lies, in one word for an address.

    "/" is written "~1" and "~" "~0", as RFC 6901 does it.
    """
    within = record.relative_to(folder)
    name = (within.parent if within.name == RECORD else within).as_posix()
    name = folder.resolve().name + "/" if name == "." else name
    return name.replace("~", "~0").replace("/", "~1")


def unfinished(folder: Path) -> Path:
    """The newest record under `folder` that has no end yet; Problem when there is none.

    A visit of schema version 1 ended when it was closed; one that another was begun in place of is over, too.
    """
    found = sorted([*folder.glob(RECORD), *folder.glob(f"*/{RECORD}")], key=lambda p: p.stat().st_mtime, reverse=True)
    replaced: set[str] = set()  # the first hashes of visits that another was begun in place of
    unended: dict[Path, str] = {}
    for path in found:
        with suppress(Problem), Record.open(path, read_only=True) as record:  # no record: nothing to resume
            first = next(record.entries(), None)
            visit = read(first) if first else None
            if isinstance(visit, Visit) and visit.in_place_of:
                replaced.add(visit.in_place_of.visit)
            ends = ("closed", END) if record.version == 1 else (END,)
            if not any(row.kind in ends for row in record.rows()):
                unended[path] = first.hash if first else ""
    for path, visit_id in unended.items():
        if visit_id not in replaced:
            return path
    raise Problem(f"There is no unfinished visit in {folder}; name its folder with --folder, or start one with --job.")


def rest_of(record: Record) -> tuple[list[Path], float]:
    """The recordings that a visit was worked from, and how far they were heard, in seconds.

    Without recordings (a microphone) the list is empty. Raises Problem when one is gone.
    """
    files = [Path(name) for name in setting_of(record).origin]
    for file in files:
        if not file.is_file():
            raise Problem(f"The recording {file} of this visit is gone; go on with --from-audio or a microphone.")
    heard = [body.stream_to_s for body in map(read, record.entries()) if isinstance(body, Event)]
    return files, next((at_s for at_s in reversed(heard) if at_s is not None), 0.0)
