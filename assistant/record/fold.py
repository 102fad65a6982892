"""The fold of a record: its events again, one by one, beside what was decided of each then."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import msgspec

from assistant.dialogue.effects import Effect, notes_of
from assistant.dialogue.events import Clock, Event, Opened, Quiet, Said, Voiced
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import State
from assistant.errors import Problem
from assistant.record import entries as e
from assistant.record.chain import Entry, canonical_json
from assistant.record.record import Record
from assistant.record.setting import setting_in, setting_of

EVENTS: dict[str, type[Event]] = {"opened": Opened, "said": Said, "quiet": Quiet, "clock": Clock, "voiced": Voiced}

FACTS = (*(kind for kind, of in e.KINDS.items() if issubclass(of, e.Fact)), "set-up")
"""Kinds that the edges write: no event, and nothing that the dialogue decided. See docs/record.md."""


@dataclass(frozen=True)
class Recorded:
    """Something that happened, and what came of it then."""

    entry: Entry
    body: e.Event
    event: Event | None  # for the dialogue; None for what was said before the visit
    notes: tuple[Entry, ...] = ()  # what was decided
    said: tuple[str, ...] = ()  # what was voiced of the answer


@dataclass(frozen=True)
class Turn:
    """One event of a record and what the dialogue makes of it now."""

    entry: Entry
    event: Event
    before: State
    after: State
    effects: tuple[Effect, ...]
    notes: tuple[Entry, ...]  # what the record says it decided then

    @property
    def same(self) -> bool:
        """Whether the dialogue decides now as it did then."""
        return canonical_json(self.now) == canonical_json(self.then)

    @property
    def now(self) -> list[tuple[str, dict[str, Any]]]:
        """What the dialogue decides now: pairs (kind, body)."""
        return notes_of(self.effects)

    @property
    def then(self) -> list[tuple[str, dict[str, Any]]]:
        """What the record says it decided then."""
        return [(entry.kind, entry.body) for entry in self.notes]


def turns(record: Record) -> Iterator[Turn]:
    """Folds a record again, event by event."""
    return fold(record.entries(), setting_of(record).dialogue())


def same_now(entries: Sequence[Entry]) -> dict[int, bool]:
    """The number of each event's entry -> whether it would be decided now as it was then.

    Raises:
        Problem: where nobody can say, with the reason: the rules are not understood whole here.
    """
    try:
        setting = setting_in(entries, "It")
    except Problem as wrong:
        raise Problem("its rules cannot be read by this version of the program") from wrong
    if not setting.is_whole:
        raise Problem("its rules hold what this version of the program does not know")
    try:
        return {turn.entry.seq: turn.same for turn in fold(entries, setting.dialogue())}
    except (LookupError, ValueError, AssertionError) as wrong:  # rules of another version can lead it anywhere
        raise Problem("its rules lead this version of the program nowhere") from wrong


def recorded(entries: Iterable[Entry]) -> Iterator[Recorded]:
    """All that happened, each with what came of it then, whatever the dialogue of today would make of it.

    Raises:
        Problem: if something is not as this version of the program writes it.
    """
    now: Recorded | None = None
    for entry in entries:
        if entry.kind in EVENTS or entry.kind == "set-up":
            body = e.read(entry)
            if not isinstance(body, e.Event):
                raise Problem(
                    f"Entry {entry.seq} is of another version of this program; the record can be verified and exported "
                    "here, and replayed by that version."
                )
            if now:
                yield replace(now, said=tuple(played.text for played in body.played or ()))
            now = Recorded(entry, body, event_of(entry))
        elif now and entry.kind not in FACTS:
            now = replace(now, notes=(*now.notes, entry))
    if now:
        yield now


def event_of(entry: Entry) -> Event | None:
    """The event that an entry is, for the dialogue; None where it is none."""
    return msgspec.convert(entry.body, EVENTS[entry.kind]) if entry.kind in EVENTS else None


def fold(entries: Iterable[Entry], dialogue: Dialogue) -> Iterator[Turn]:
    """Folds entries again, event by event: what the dialogue makes of each, beside what the record says it made."""
    state = dialogue.start()
    for each in recorded(entries):
        if each.event:
            after, effects = dialogue.step(state, each.event)
            yield Turn(each.entry, each.event, state, after, tuple(effects), each.notes)
            state = after
