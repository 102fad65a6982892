"""Judges a visit again: the same sound through another model or grammar, the same readings under other limits.

Each turn is judged from the state that the record was in then, so that one difference does not hide the next.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from assistant.dialogue.effects import notes_of
from assistant.dialogue.events import Said
from assistant.language.heard import Heard
from assistant.language.meaning import Question
from assistant.record.chain import Entry, canonical_json
from assistant.record.fold import fold
from assistant.record.setting import Setting
from assistant.review.replay import all_decided

Notes = Sequence[tuple[str, dict[str, Any]]]
Hear = Callable[[str, Question], Heard | None]
"""Hears a recording by its name at a question; None where it is not there any more."""


@dataclass(frozen=True)
class Difference:
    """A turn that would come out otherwise."""

    seq: int
    utc: str
    heard: str  # the words then
    heard_now: str
    then: str  # what was decided, for people
    now: str
    words_only: bool  # the decisions are the same, only the words are others


def rejudge(entries: Iterable[Entry], then: Setting, now: Setting, hear: Hear | None = None) -> Iterator[Difference]:
    """What would differ if the visit was worked by `now`; with `hear`, also if its sound was heard by that."""
    other = now.dialogue()
    for turn in fold(entries, then.dialogue()):
        event = turn.event
        if hear and isinstance(event, Said) and event.audio:
            heard = hear(event.audio, other.question(turn.before))
            event = replace(event, heard=heard) if heard else event
        _, effects = other.step(turn.before, event)
        notes = notes_of(effects)
        before = turn.event.heard.text if isinstance(turn.event, Said) else ""
        after = event.heard.text if isinstance(event, Said) else ""
        same = canonical_json(_without_words(notes)) == canonical_json(_without_words(turn.then))
        if same and before == after:
            continue
        shown = ("", "") if same else _shown(turn.then, notes)
        yield Difference(turn.entry.seq, turn.entry.utc, before, after, *shown, words_only=same)


def _without_words(notes: Notes) -> list[object]:
    return [(kind, {key: value for key, value in body.items() if key != "words"}) for kind, body in notes]


def _shown(then: Notes, now: Notes) -> tuple[str, str]:
    """Both decisions for people; where they read the same, what differs inside."""
    before, after = all_decided(then), all_decided(now)
    if before != after:
        return before or "(nothing)", after or "(nothing)"
    return tuple("; ".join(_inside(notes, others)) for notes, others in ((then, now), (now, then)))  # type: ignore[return-value]


def _inside(notes: Notes, others: Notes) -> list[str]:
    theirs = {(kind, key): value for kind, body in others for key, value in body.items()}
    return [
        f"{kind} {key}: {canonical_json(value)}"
        for kind, body in notes
        for key, value in body.items()
        if key != "words" and theirs.get((kind, key)) != value
    ]
