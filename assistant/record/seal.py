"""The seal of a finished visit, and checking a visit whole: its chain, its file and every recording.

The seal is a text file beside the record, ``visit.seal.jsonl``. Its lines are entries that go on with the record's
chain (`chain.to_line`): the first, of the kind ``sealed``, holds the SHA-256 of the whole record file and of every
recording; each ``audio-erased`` after it names recordings that were erased later, with their SHA-256. So the record
itself need never change again, and what was erased stays proved.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from assistant.errors import Problem
from assistant.places import file_sum, write_whole
from assistant.record.chain import (
    Entry,
    canonical_json,
    chained,
    from_line,
    is_closed,
    to_line,
    verify_entries,
    verify_head,
)
from assistant.record.entries import AudioErased, Body, Sealed, Utterance, read
from assistant.record.record import END, UTTERANCES, Clock, Record, audio_of, lock_of, seal_of, system_clock

SEALED, ERASED = "sealed", "audio-erased"

LONGEST_SEAL = 4_000_000
"""Bytes of a seal: the digests of some thirty thousand recordings."""


@dataclass(frozen=True)
class Checked:
    """What a check found."""

    problems: list[str] = field(default_factory=list)  # what is not as it was recorded, a sentence each
    warnings: list[str] = field(default_factory=list)  # what it could not show of a record that may be sound
    entries: int = 0
    recordings: int = 0
    erasures: list[AudioErased] = field(default_factory=list)
    sealed: str = ""  # when, UTC
    head: str = ""
    rows: Sequence[Entry] = ()  # of the record, as far as they can be read; without its seal's


def seal(record: Record) -> Entry:
    """Seals a visit that has its end: the record becomes one file, and its digest and its recordings' are kept.

    Raises:
        Problem: if the visit has not ended, or the seal cannot be written.
    """
    rows = list(record.rows())
    if not is_closed(row.kind for row in rows):
        raise Problem(f"The visit {record.path} has not ended; end it first: assistant visit --resume")
    if rows[-1].kind != END:  # one of schema version 1
        record.append([(END, {"entries": len(rows)})])
        rows = list(record.rows())
    record.finish()
    gone = erased(rows)
    body = {
        "file": record.path.name,
        "bytes": record.path.stat().st_size,
        "sha256": file_sum(record.path),
        "entries": len(rows),
        "audio": {path.name: file_sum(path) for path in _sounds(record.path) if path.name not in gone},
    }
    (row,) = chained((rows[-1].seq, rows[-1].hash), [(SEALED, canonical_json(body))], *record.now())
    _write(record.path, [row])
    return row


NO_SEAL = "The visit has ended and has no seal: it was taken away, or never made. Make one with: assistant record seal"
NO_END = (
    "The visit has not ended: it goes on, or its end was cut off. Only a head that was noted elsewhere tells which."
)


def check(path: Path, head: str | None = None, lodged: Iterable[tuple[int, str]] = ()) -> Checked:
    """Checks the record at `path` whole.

    Args:
        path: the record.
        head: the hash, or its first characters, that was noted elsewhere.
        lodged: heads that a shop has of this visit: how many entries the chain had then, and the hash of the last.
    """
    problems: list[str] = []
    rows: list[Entry] = []
    try:
        with Record.open(path, read_only=True) as record:
            rows.extend(record.rows())
    except Problem as problem:
        problems.append(str(problem))
    seals, seal_problems = _read(path)
    chain = [*rows, *seals] if rows or not problems else []
    problems += [*verify_entries(chain), *seal_problems]
    if head is not None:
        problems += verify_head(rows, head)
    problems += verify_lodged(chain, lodged)
    gone, wanted, sealed = erased([*rows, *seals]), recordings([*rows, *seals]), ""
    if seals:
        sealed = seals[0].utc
        body = next(_bodies(seals[:1], [SEALED]), None)
        if not (isinstance(body, Sealed) and path.is_file() and file_sum(path) == body.sha256):
            problems.append(f"The file {path.name} is not the one that was sealed on {sealed}.")
        for suffix in ("-wal", "-shm", "-journal"):
            if Path(f"{path}{suffix}").exists():
                problems.append(f"The file {path.name}{suffix} was added after the visit was sealed.")
    problems += _check_sounds(path, wanted, gone)
    last = rows[-1].hash if rows else ""
    ended = is_closed(row.kind for row in rows)
    warnings = [] if seals else [NO_SEAL if ended else NO_END]
    erasures = [body for body in _bodies([*rows, *seals], [ERASED]) if isinstance(body, AudioErased)]
    return Checked(problems, warnings, len(rows), len(wanted.keys() - gone), erasures, sealed, last, rows)


def verify_lodged(chain: Sequence[Entry], lodged: Iterable[tuple[int, str]]) -> list[str]:
    """Holds a chain, its seal's entries too, against the heads that a shop has of it. Pure."""
    problems = []
    for entries, head in lodged:
        if len(chain) < entries:
            problems.append(f"The shop has its head at entry {entries}, and it has {len(chain)}: its end was cut off.")
        elif chain[entries - 1].hash != head:
            problems.append(f"Entry {entries} is not the one whose head was lodged with the shop.")
    return problems


def recordings(rows: Iterable[Entry]) -> dict[str, str]:
    """The recordings that a chain names, with their SHA-256."""
    found: dict[str, str] = {}
    for body in _bodies(rows, [*UTTERANCES, SEALED]):
        if isinstance(body, Utterance) and body.audio and body.sha256:
            found[body.audio] = body.sha256
        elif isinstance(body, Sealed):
            found |= body.audio
    return found


def erased(rows: Iterable[Entry]) -> dict[str, str]:
    """The recordings that a chain says were erased, with the time, UTC."""
    bodies = _bodies(rows, [ERASED])
    return {name: body.utc for body in bodies if isinstance(body, AudioErased) for name in body.files}


def _bodies(rows: Iterable[Entry], kinds: Collection[str]) -> Iterator[Body]:
    """What each row of these kinds says; one that is damaged says nothing."""
    for row in (row for row in rows if row.kind in kinds):
        with suppress(ValueError, TypeError, RecursionError):
            yield read(row)


def erase_audio(path: Path, why: str, clock: Clock = system_clock, by: str = "") -> list[str]:
    """Erases the recordings of a visit; the chain, and what the seal holds of them, stay. Returns their names.

    That they are erased is written first: an erasure that was cut off is finished by erasing again.

    Raises:
        Problem: if the record is being written by another process, or something cannot be written.
    """
    sounds = _sounds(path)
    if not sounds:
        return []
    body = {"files": {sound.name: file_sum(sound) for sound in sounds}, "why": why, "by": by}
    if not seal_of(path).exists():
        with Record.open(path, clock=clock) as record:
            record.append([(ERASED, body)])
            _remove(sounds)
        return list(body["files"])
    with lock_of(path):
        rows, problems = _read(path)
        if problems:
            raise Problem(f"{problems[0]} Nothing was erased.")
        last = (rows[-1].seq, rows[-1].hash)
        _write(path, [*rows, *chained(last, [(ERASED, canonical_json(body))], *clock())])
        _remove(sounds)
    return list(body["files"])


def sealed_rows(path: Path) -> list[Entry]:
    """The entries of a record's seal; none if it has no seal, or one that is damaged."""
    rows, problems = _read(path)
    return [] if problems else rows


def _read(path: Path) -> tuple[list[Entry], list[str]]:
    """The rows of the seal, and what is wrong with its text."""
    file = seal_of(path)
    if not file.exists():
        return [], []
    damaged = [f"The seal {file.name} is not what was written."]
    try:
        if file.stat().st_size > LONGEST_SEAL:
            return [], damaged
        text = file.read_bytes()
        rows = [from_line(line) for line in text.decode().splitlines()]
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return [], damaged
    # The same object can be written in several ways: only the one that was written counts.
    if not rows or text != _text(rows) or rows[0].kind != SEALED or any(row.kind != ERASED for row in rows[1:]):
        return [], damaged
    return rows, []


def _text(rows: Iterable[Entry]) -> bytes:
    return "".join(f"{to_line(row)}\n" for row in rows).encode()


def _write(path: Path, rows: Iterable[Entry]) -> None:
    write_whole(seal_of(path), _text(rows))


def _check_sounds(path: Path, wanted: Mapping[str, str], erased: Mapping[str, str]) -> list[str]:
    there = {sound.name: sound for sound in _sounds(path)}
    problems = []
    for name, digest in sorted(wanted.items()):
        if name in erased:
            continue
        if name not in there:
            problems.append(f"The recording {name} is missing.")
        elif file_sum(there[name]) != digest:
            problems.append(f"The recording {name} is not what was recorded.")
    for name in sorted(there):
        if name in erased:
            problems.append(f"The recording {name} was erased on {erased[name]}, but it is there; erase it again.")
        elif name not in wanted and there[name].parent == audio_of(path):
            problems.append(f"The recording {name} was added: no entry names it.")
    return problems


def _sounds(path: Path) -> list[Path]:
    """The recordings of a visit, and the track of the whole visit if there is one."""
    folder, track = audio_of(path), path.with_suffix(".flac")
    return [*(sorted(folder.iterdir()) if folder.is_dir() else []), *([track] if track.exists() else [])]


def _remove(sounds: Sequence[Path]) -> None:
    for sound in sounds:
        sound.unlink(missing_ok=True)
