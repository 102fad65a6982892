"""The fold of a record: its events again, one by one, beside what was decided of each then."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import Clock, Event, Opened, Quiet, Said, Voiced
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import State
from assistant.errors import Problem
from assistant.record.chain import Entry, canonical_json
from assistant.record.record import END, Record
from assistant.record.setting import setting_of

EVENTS: dict[str, type[Event]] = {"opened": Opened, "said": Said, "quiet": Quiet, "clock": Clock, "voiced": Voiced}

FACTS = ("visit", "set-up", "device", "discarded", "held-for-room", "audio-erased", END)
"""Entries that the edges write: no event, and nothing that the dialogue decided. See docs/record.md."""


@dataclass(frozen=True)
class Recorded:
    """One event of a record and what came of it then. notes: what was decided; said: what was voiced of the answer."""

    entry: Entry
    event: Event
    notes: tuple[Entry, ...]
    said: tuple[str, ...]


@dataclass(frozen=True)
class Turn:
    """One event of a record and what the dialogue makes of it now. notes: what the record says it made then."""

    entry: Entry
    event: Event
    before: State
    after: State
    effects: tuple[Effect, ...]
    notes: tuple[Entry, ...]

    @property
    def same(self) -> bool:
        """Whether the dialogue decides now as it did then."""
        return canonical_json(self.now) == canonical_json(self.then)

    @property
    def now(self) -> list[tuple[str, dict[str, Any]]]:
        """What the dialogue decides now: pairs (kind, body)."""
        return [(effect.kind, effect.body) for effect in self.effects if isinstance(effect, Note)]

    @property
    def then(self) -> list[tuple[str, dict[str, Any]]]:
        """What the record says it decided then."""
        return [(entry.kind, entry.body) for entry in self.notes]


def turns(record: Record) -> Iterator[Turn]:
    """Folds a record again, event by event."""
    return fold(record.entries(), setting_of(record).dialogue())


def recorded(entries: Iterable[Entry]) -> Iterator[Recorded]:
    """The events of a record, each with what came of it then, whatever the dialogue of today would make of it.

    Raises:
        Problem: if an event is not as this version of the program writes it.
    """
    waiting: Entry | None = None
    notes: list[Entry] = []
    for entry in entries:
        # What was decided before the visit, or before it went on, is of no event.
        if entry.kind in EVENTS or entry.kind == "set-up":
            if waiting:
                yield _recorded(waiting, notes, entry.body.get("played", ()))
            waiting, notes = entry if entry.kind in EVENTS else None, []
        elif entry.kind not in FACTS:
            notes.append(entry)
    if waiting:
        yield _recorded(waiting, notes, ())


def _recorded(entry: Entry, notes: Sequence[Entry], played: Sequence[Mapping[str, Any]]) -> Recorded:
    try:
        event = msgspec.convert(entry.body, EVENTS[entry.kind])
    except msgspec.ValidationError as wrong:
        raise Problem(
            f"Entry {entry.seq} is of another version of this program; the record can be verified and exported here, "
            "and replayed by that version."
        ) from wrong
    return Recorded(entry, event, tuple(notes), tuple(each["text"] for each in played))


def fold(entries: Iterable[Entry], dialogue: Dialogue) -> Iterator[Turn]:
    """Folds entries again, event by event: what the dialogue makes of each, beside what the record says it made."""
    state = dialogue.start()
    for each in recorded(entries):
        after, effects = dialogue.step(state, each.event)
        yield Turn(each.entry, each.event, state, after, tuple(effects), each.notes)
        state = after
