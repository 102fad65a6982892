"""The hash chain of a record: pure functions over its rows, wherever they are kept.

``hash`` is SHA-256, in lower-case hex, over the canonical JSON of the array
``[seq, kind, utc, monotonic_s, body, previous]`` in UTF-8, where ``body`` is the text of an object in canonical
JSON (so a JSON string in that array). ``previous`` is the hash of the entry before; 64 zeros for the first.
**Canonical JSON** here: keys sorted by code point, no spaces, no escapes but those JSON demands, no NaN or
infinity; numbers as Python's ``json`` writes them. Any program can check a record from this paragraph.

A chain shows a change only to somebody who knows its head: whoever can write the file can write a whole new
chain. So the head is printed and spoken at the end of a visit, and `verify_head` takes it.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from typing import Any, NamedTuple

GENESIS = "0" * 64
"""What the first entry gives as the hash before it; the head of an empty record."""

COLUMNS = ("seq", "kind", "utc", "monotonic_s", "body", "previous", "hash")
"""What an entry is kept as, wherever that is."""


class _Kept(NamedTuple):
    seq: int
    """Its place, from 1."""
    kind: str
    utc: str
    """Wall clock when it was recorded: ISO 8601 with milliseconds and Z."""
    monotonic_s: float
    """Seconds on a clock that is never set; comparable only within one run of the program."""
    text: str
    """Its body: canonical JSON of an object."""
    previous: str
    """Hash of the entry before, hex; `GENESIS` for the first."""
    hash: str
    """Hash of this entry, hex."""


class Entry(_Kept):
    """One entry, as it is kept in `COLUMNS`."""

    @cached_property
    def body(self) -> dict[str, Any]:
        """What it says. Raises ValueError, or RecursionError, where its text is no JSON of an object."""
        body = json.loads(self.text)
        if not isinstance(body, dict):
            raise ValueError("the body of an entry is an object")
        return body

    @property
    def columns(self) -> dict[str, Any]:
        """It by the names of `COLUMNS`."""
        return dict(zip(COLUMNS, self, strict=True))

    @property
    def has_its_types(self) -> bool:
        """Whether every column is of its type, which damage may change."""
        return tuple(map(type, self)) == _TYPES


_TYPES = (int, str, str, float, str, str, str)


def canonical_json(value: object) -> str:
    """`value` as the one text that is hashed; see the module's docstring.

    Raises:
        TypeError: if something in it has no JSON form (a Decimal goes in as text).
        ValueError: if a number is NaN or infinite.
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def entry_hash(columns: Sequence[object]) -> str:
    """Hash of an entry from its columns before the hash, in their order."""
    return hashlib.sha256(canonical_json(list(columns)).encode()).hexdigest()


def chained(last: tuple[int, str], entries: Iterable[tuple[str, str]], utc: str, monotonic_s: float) -> Iterator[Entry]:
    """Rows that follow `last` (its seq and hash) for pairs (kind, body in canonical JSON)."""
    seq, previous = last
    for kind, body in entries:
        seq += 1
        columns = (seq, kind, utc, monotonic_s, body, previous)
        previous = entry_hash(columns)
        yield Entry(*columns, previous)


def to_line(row: Entry) -> str:
    """A row as one line of JSON, without its end: an object with the columns' names, the body as an object.

    Raises:
        ValueError: if the body is no JSON of an object.
    """
    return canonical_json({**row.columns, "body": row.body})


def from_line(line: str) -> Entry:
    """The inverse of `to_line`.

    Raises:
        ValueError: if the line is no such object.
    """
    columns = json.loads(line)
    if not isinstance(columns, dict) or set(columns) != set(COLUMNS) or not isinstance(columns["body"], dict):
        raise ValueError("the line is no entry of a record")
    row = Entry(*({**columns, "body": canonical_json(columns["body"])}[name] for name in COLUMNS))
    if not row.has_its_types:
        raise ValueError("the line is no entry of a record")
    return row


def verify_entries(rows: Iterable[Entry]) -> list[str]:
    """Check a chain from its first entry to its last, in the order given.

    Returns:
        What is wrong, a sentence each, naming the entry; nothing if the chain is sound. An end that was cut off
        shows only by a head that was noted elsewhere: see `verify_head`.
    """
    rows = [Entry(*row) for row in rows]
    problems: list[str] = []
    places = _places(rows)
    seq, previous = 0, GENESIS
    for row in rows:
        gap = row.seq - seq - 1
        if row.seq == seq:
            problems.append(f"Entry {seq} is there twice.")
        elif gap < 0:
            problems.append(f"Entry {row.seq} is out of order: it stands after entry {seq}.")
        elif gap == 1:
            problems.append(f"Entry {seq + 1} is missing.")
        elif gap > 1:
            problems.append(f"Entries {seq + 1} to {row.seq - 1} are missing.")
        place = places.get(row.hash)
        was_moved = bool(place) and place != row.seq and _has_hash((place, *row[1:6]), row.hash)
        if was_moved:
            problems.append(f"Entry {row.seq} was moved: it was recorded as entry {place}.")
        elif not _has_hash(row[:6], row.hash):
            problems.append(f"Entry {row.seq} is not what was recorded: its hash does not match.")
        elif places and not place:
            problems.append(f"Entry {row.seq} was added: no entry follows from it.")
            place = row.seq
        if not gap and row.previous != previous and not was_moved and place != row.seq:
            problems.append(f"Entry {row.seq} does not follow from the entry before it.")
        seq, previous = row.seq, row.hash
    return problems


def _has_hash(columns: Sequence[object], digest: str) -> bool:
    try:
        return entry_hash(columns) == digest
    except (TypeError, ValueError):  # damage may make a number infinite
        return False


def _places(rows: Sequence[Entry]) -> dict[str, int]:
    """The places of the hashes in the chain that ends with the last row; nothing if that chain is broken."""
    by_hash = {row.hash: row for row in rows}
    path: list[str] = []
    at = rows[-1].hash if rows else GENESIS
    while at != GENESIS:
        if at not in by_hash or len(path) > len(rows):
            return {}
        path.append(at)
        at = by_hash[at].previous
    return {entry: place for place, entry in enumerate(reversed(path), 1)}


def verify_head(rows: Sequence[Entry], head: str) -> list[str]:
    """Check that an entry has the hash `head`, or begins with it; after a visit is closed, the last one, or the one
    before the end."""
    head = head.lower()
    if not rows and GENESIS.startswith(head):
        return []
    found = [row.seq for row in rows if row.hash.startswith(head)]
    if not found:
        return [f"No entry has the witnessed head {head}: this is not all of that record, or another one."]
    after = [row for row in rows if row.seq > found[-1]]
    was_closed = is_closed(row.kind for row in rows if row.seq <= found[-1])
    if was_closed and [row.kind for row in after] not in ([], ["end"]):
        added = after[0].seq
        return [f"Entry {added} was added after the visit was closed; the witnessed head is that of {found[-1]}."]
    return []


def is_closed(kinds: Iterable[str]) -> bool:
    """Whether a visit whose entries are of these kinds is closed: an emergency after that opens it again."""
    last = ""
    for kind in kinds:
        if kind in ("closed", "emergency"):
            last = kind
    return last == "closed"
