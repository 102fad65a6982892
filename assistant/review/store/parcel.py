"""A visit as it is sent: its whole chain, its recordings, and what is found in it to look for."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from assistant.errors import Problem
from assistant.record import entries as e
from assistant.record import seal
from assistant.record.chain import Entry, from_line, verify_entries
from assistant.record.record import Record, audio_of
from assistant.record.story import Story, story_of
from assistant.review.report.page import attention

COUNTED_IN_STEP = {
    "heard-reading": "asked",
    "refused": "refused",
    "correction": "corrected",
    "skipped": "skipped",
    "unclear": "unclear",
}
"""Kind of entry -> the column in which a step's are counted."""


@dataclass(frozen=True)
class Parcel:
    """What is sent. rows: the record's chain, then its seal's. recordings: name -> where the sound lies."""

    where: str
    rows: Sequence[Entry]
    sealed_from: int
    recordings: Mapping[str, Path]

    @property
    def id(self) -> str:
        """The hash of the first entry: it holds the time and the whole setting, so no other visit has it."""
        return self.rows[0].hash

    @property
    def erased(self) -> set[str]:
        """The recordings that were erased."""
        return set(seal.erased(self.rows))

    @property
    def digests(self) -> dict[str, str]:
        """The recordings that the chain names, with their SHA-256."""
        return seal.recordings(self.rows)


def from_record(path: Path) -> Parcel:
    """Packs the visit of a record.

    Raises:
        Problem: if it is not whole: the first thing that is not as it was recorded, which names the entry.
    """
    with Record.open(path, read_only=True) as record:
        rows = list(_at_most(record.rows(), str(path)))
    seals = seal.sealed_rows(path)
    if not rows:
        raise Problem(f"{path} holds no visit yet; nothing of it was sent.")
    sounds = audio_of(path)
    there = {sound.name: sound for sound in sorted(sounds.iterdir())} if sounds.is_dir() else {}
    refuse(str(path), [too_large(name) for name, sound in there.items() if sound.stat().st_size > LARGEST_RECORDING])
    refuse(str(path), [*seal.check(path).problems, *implausible(rows)])
    parcel = Parcel(str(path), [*rows, *seals], len(rows), {})
    wanted = {name: there[name] for name in parcel.digests if name in there and name not in parcel.erased}
    return Parcel(parcel.where, parcel.rows, len(rows), wanted)


def from_export(path: Path) -> Parcel:
    """Packs the visit of an export (JSON Lines); it has no recordings.

    Raises:
        Problem: if it is no export, or its chain is broken.
    """
    try:
        if path.stat().st_size > 2 * LONGEST_CHAIN:
            raise Problem(f"{path} is larger than any visit; nothing of it was stored.")
        with path.open(encoding="utf-8") as lines:
            rows = list(_at_most(map(from_line, lines), str(path)))
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        raise Problem(f"{path} cannot be read as an export; make it again with: assistant record export") from None
    if not rows:
        raise Problem(f"{path} is empty; make it again with: assistant record export")
    sealed = [row.seq for row in rows if row.kind == seal.SEALED]
    after = [row for row in rows if sealed and row.seq >= sealed[0]]
    odd = [f"Entry {row.seq} stands after the end." for row in after[1:] if row.kind != seal.ERASED]
    odd += [f"Entry {row.seq} is no seal." for row in after[:1] if not isinstance(e.read(row), e.Sealed)]
    refuse(str(path), [*verify_entries(rows), *odd, *implausible(rows)])
    return Parcel(str(path), rows, sealed[0] - 1 if sealed else len(rows), {})


LONGEST_CHAIN = 4_000_000
"""Characters of a visit's entries; a whole visit has less than a tenth. What is read of it takes some twenty times."""

LARGEST_RECORDING = 16_000_000
"""Bytes of one recording: minutes of speech, where an answer takes seconds."""


def too_large(name: str) -> str:
    """That a recording is."""
    return f"The recording {name} is larger than any answer ({LARGEST_RECORDING / 1e6:.0f} MB)."


def _at_most(rows: Iterable[Entry], where: str) -> Iterator[Entry]:
    """The rows of a chain, read one by one; Problem where they are more than `LONGEST_CHAIN`."""
    size = 0
    for row in rows:
        size += len(row.text) + len(row.kind)
        if size > LONGEST_CHAIN:
            raise Problem(f"{where} is refused whole: its entries are longer than those of any visit.")
        yield row


def implausible(rows: Sequence[Entry]) -> Iterator[str]:
    """The entries whose time is none, or cannot be: before there was this program, or after tomorrow."""
    latest = datetime.now(UTC) + timedelta(days=1)
    for row in rows:
        try:
            at = datetime.strptime(row.utc, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)
        except ValueError:
            yield f"Entry {row.seq} has no time that can be read: {row.utc[:40]!r}."
            continue
        if not EARLIEST <= at <= latest:
            yield f"Entry {row.seq} is said to be of {row.utc}, which cannot be."


EARLIEST = datetime(2020, 1, 1, tzinfo=UTC)
"""No visit was recorded before."""


def refuse(where: str, problems: Sequence[str]) -> None:
    """Raises Problem with the first of these, where there is one."""
    if problems:
        raise Problem(f"{where} is refused whole: {problems[0]} Nothing of it was stored.")


def read_recording(path: Path, digest: str) -> bytes:
    """A recording, if it is still the one that the chain names; Problem otherwise."""
    try:
        data = path.read_bytes()
    except OSError as wrong:
        raise Problem(f"The recording {path} cannot be read ({wrong.strerror}); send the visit again.") from None
    if hashlib.sha256(data).hexdigest() != digest:
        raise Problem(f"The recording {path} changed while it was sent; send the visit again.")
    return data


@dataclass(frozen=True)
class Derived:
    """What is found in a visit's entries to look for, as columns of the tables in `schema`, but for the visit's number;
    appliance, crew and microphone are names here, and numbers there."""

    visit: Mapping[str, Any]
    reading: Sequence[Mapping[str, Any]]
    step: Sequence[Mapping[str, Any]]
    meter: Sequence[Mapping[str, Any]]


def urgency(visit: Mapping[Any, Any], standing: str, problem: str = "") -> int:
    """What comes first in the list, by danger.

    7 not as it was recorded, 6 unsafe, 5 stopped for danger, 4 out of limits and left so, 3 unreviewed, 2 returned,
    1 signed off with something not checked, 0 signed off. What is signed off is in none of 2 to 6.

    visit: the columns of `Derived.visit`.
    """
    if problem:
        return 7
    if standing == "signed off":
        return 1 if visit["not_checked"] else 0
    if visit["unsafe"]:
        return 6
    if visit["stopped"]:
        return 5
    if visit["outside"]:
        return 4
    return 2 if standing == "returned" else 3


ODD = (ArithmeticError, AssertionError, AttributeError, LookupError, RecursionError, TypeError, ValueError)
"""What the fold of entries raises that nobody's program has written."""


def understood(entries: Sequence[Entry], where: str) -> Derived:
    """`derive`, where anything may stand in the entries; Problem where they make no visit."""
    try:
        return derive(entries)
    except Problem as wrong:
        raise Problem(f"{where} is no visit that can be understood: {wrong}") from None
    except ODD as wrong:
        raise Problem(f"{where} is no visit that can be understood ({type(wrong).__name__}: {wrong}).") from None


def nothing_of(name: str) -> Derived:
    """What is looked for in a visit that cannot be read: its name."""
    columns = dict.fromkeys(("appliance", "crew", "microphone", "began", "procedure"), "")
    flags = dict.fromkeys(("closed", "unsafe", "stopped"), False)
    counts = dict.fromkeys(("dangers", "mended", "outside", "watch", "not_checked", "corrections"), 0)
    return Derived({**columns, **flags, **counts, "site": name, "search": name.lower()}, (), (), ())


def derive(entries: Sequence[Entry]) -> Derived:
    """What is looked for in a record's own entries (without its seal). Pure.

    Raises:
        Problem: if they do not begin with the setting of a visit.
    """
    story = story_of(entries)
    job, found = story.rules.job, attention(story)
    appliance, crew, procedure = job.appliance_key(), job.technician.name, story.procedure.title
    stand = dangers(story)
    told = (job.site, appliance, job.appliance.description, crew, procedure, story.complaint, story.cause or "")
    meters = [
        {"place": place, "name": meter.name, "serial": meter.serial, "due": meter.calibration_due}
        for place, meter in enumerate(job.meters)
    ]
    return Derived(
        {
            "appliance": appliance,
            "crew": crew,
            "microphone": _microphone(story.bodies),
            "began": story.began,
            "site": job.site,
            "procedure": procedure,
            "closed": story.closed,
            "unsafe": bool(story.notices),
            "stopped": bool(story.emergencies),
            "dangers": len(stand),
            "mended": sum(stand.values()),
            "outside": len(found.out) + len(story.remarks),
            "watch": len(found.watch) + len(found.unknown),
            "not_checked": len(story.not_checked),
            "corrections": len(story.corrections),
            "search": " ".join(told).lower(),
        },
        sorted(_readings(story), key=lambda row: int(row["seq"])),
        _steps(story.bodies),
        meters,
    )


def dangers(story: Story) -> dict[str, bool]:
    """What was found that forbids something, and whether it was mended: found good again, and not taken back."""
    forbade: list[tuple[int, str, bool]] = []
    for each in (*story.standing, *story.worked_out):
        if each.limit and each.limit.forbids and each.accepted is not None:
            forbade.append((each.seq, each.name, not each.accepted))
    for answer in story.answers:
        step = story.step(answer.step)
        if step and step.forbids and answer.seq not in story.taken_back:
            forbade.append((answer.seq, answer.step, answer.seq in story.remarked))
    found: dict[str, bool] = {}
    for _, name, is_bad in sorted(forbade):
        if is_bad or name in found:
            found[name] = not is_bad
    return found


def _readings(story: Story) -> Iterator[Mapping[str, Any]]:
    """The readings that stand, those without a figure too; what was refused when it was read back; what was worked
    out."""
    for r in story.standing:
        value, unit = (r.value, r.unit) if r.number is None else (str(r.number), story.judged_unit(r))
        yield _reading(r, r.quantity, value, unit, r.verdict, r.number)
    for found in story.findings:
        if found.value:
            yield _reading(found, found.name, found.value, found.unit, found.verdict or "noted", Decimal(found.value))
    for quantity, body in story.refused:
        yield _reading(body, quantity, body.value, "", "refused")


def _reading(
    body: e.Body, quantity: str, value: str, unit: str, outcome: str, number: Decimal | None = None
) -> Mapping[str, Any]:
    of = {"seq": body.seq, "utc": body.utc, "quantity": quantity, "number": None if number is None else float(number)}
    return {**of, "value": value, "unit": unit, "outcome": outcome}


def _steps(bodies: Sequence[e.Body]) -> list[Mapping[str, Any]]:
    counts: dict[str, Counter[str]] = {}
    for body in bodies:
        if name := getattr(body, "step", ""):
            counts.setdefault(name, Counter())[body.kind] += 1
    return [
        {"step": name, **{column: count[kind] for kind, column in COUNTED_IN_STEP.items()}}
        for name, count in counts.items()
    ]


def _microphone(bodies: Sequence[e.Body]) -> str:
    """The name of the first microphone; the route that a record keeps names it."""
    for body in bodies:
        if isinstance(body, e.Device) and isinstance(body.microphone, dict):
            return str(body.microphone.get("microphone") or "the system's own")
    return "not recorded"
