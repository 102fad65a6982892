"""Where what happens in a session is kept: in memory before there is a record, then in the record.

Each kept utterance is a file of its own beside the record, which its entry names with its SHA-256.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Generic, TypeVar

import msgspec

from assistant.dialogue.effects import Effect, notes_of
from assistant.dialogue.events import Event, Said, Voiced
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.setting_up import START
from assistant.dialogue.state import State
from assistant.errors import Problem
from assistant.language.meaning import Question, value_text
from assistant.language.utterance import normalise
from assistant.places import file_sum
from assistant.record.fold import EVENTS
from assistant.record.record import END, UTTERANCES, Record, audio_of
from assistant.session.privacy import keeps, redacted
from assistant.speech.audio import write_flac
from assistant.speech.ears import Utterance

HOW = ("stream_from_s", "stream_to_s", "question", "engine")
"""What is kept of how something was heard before the visit."""

LEFT = "It was stopped before the visit began, and nothing of it is recorded; start again, and it asks again."

Kept = tuple[str, dict[str, Any]]
"""The kind and the body of an entry."""

S_contra = TypeVar("S_contra", contravariant=True)


def _written(utterance: Utterance, path: Path) -> str:
    """Writes an utterance's recording; its SHA-256."""
    write_flac(path, utterance.audio)
    return file_sum(path)


def _discarded(seconds: Sequence[float]) -> list[Kept]:
    """The entry that counts what was heard and not kept, if anything was."""
    return [("discarded", {"utterances": len(seconds), "seconds": round(sum(seconds), 1)})] if seconds else []


class Keeper(Generic[S_contra]):
    """What the loop tells of all that happens. Each method may raise NotWritten; here each keeps nothing."""

    @property
    def head(self) -> str:
        """The record's head; empty where there is none."""
        return ""

    def keep(self, utterance: Utterance, question: Question, state: S_contra) -> tuple[Said, dict[str, Any]]:
        """An utterance as the event that it is, its recording kept if it is to be; and what its entry holds besides."""
        return Said(utterance.heard, utterance.first_word_s, over_noise_db=utterance.over_noise_db), {}

    def let_go(self, utterance: Utterance) -> None:
        """Counts an utterance that is neither kept nor acted on."""

    def write(self, event: Event, effects: Sequence[Effect], more: Mapping[str, Any]) -> None:
        """Commits an event and what it made; more: what the event's entry holds besides."""

    def fact(self, kind: str, body: Mapping[str, Any]) -> None:
        """Commits what happened beside the events."""

    def end(self) -> None:
        """Commits the end, after which nothing can be written."""


class InMemory(Keeper[object]):
    """Keeps what decided something until there is a record: `entries` are written with its first entry, in one
    transaction. Stopped before that, a set-up leaves nothing, and is asked again."""

    def __init__(self) -> None:
        self.answers: list[tuple[Utterance, list[Kept]]] = []
        """What was said and is kept: what was decided by it and how it was heard, then its other decisions."""
        self.discarded: list[float] = []
        """Seconds of what was answered and not kept."""

    def keep(self, utterance: Utterance, question: Question, state: object) -> tuple[Said, dict[str, Any]]:
        """It is kept by what it decides."""
        self._last = utterance
        return super().keep(utterance, question, state)

    def write(self, event: Event, effects: Sequence[Effect], more: Mapping[str, Any]) -> None:
        """Keeps what was said where it decided something; else it is only counted, and not even that while it waits.

        Raises Problem where the assistant was not heard.
        """
        if isinstance(event, Voiced) and event.problem:
            raise Problem(f"{event.problem.rstrip('.')}. {LEFT}")
        if not isinstance(event, Said):
            return
        match notes_of(effects):
            case [(kind, asked), *decided]:
                heard: dict[str, Any] = {"heard": msgspec.to_builtins(event.heard), "at_s": event.at_s}
                if event.over_noise_db is not None:
                    heard["over_noise_db"] = event.over_noise_db
                body = {**asked, **heard, **{key: more[key] for key in HOW}}
                self.answers.append((self._last, [(kind, body), *decided]))
            case _ if more["question"] != START.name:
                self.discarded.append(self._last.audio.seconds)

    def entries(self, folder: Path, grammar_sha256: str) -> list[Kept]:
        """The entries of the set-up, their recordings written to `folder`, after those that are there."""
        folder.mkdir(exist_ok=True)
        entries: list[Kept] = []
        there = (int(path.stem) for path in folder.glob("*.flac") if path.stem.isdecimal())
        for number, (utterance, [(kind, body), *decided]) in enumerate(self.answers, 1 + max(there, default=0)):
            path = folder / f"{number:04d}.flac"
            kept = {"audio": path.name, "sha256": _written(utterance, path), "grammar_sha256": grammar_sha256}
            entries += [(kind, {**body, **kept}), *decided]
        return [*entries, *_discarded(self.discarded)]


class InRecord(Keeper[State]):
    """Keeps what happens in a visit in its record."""

    def __init__(self, record: Record, dialogue: Dialogue, grammar_sha256: str, named: set[str]) -> None:
        """named: the recordings that the record names."""
        self._record, self._dialogue, self._grammar_sha256 = record, dialogue, grammar_sha256
        self._named = named
        self._audio = audio_of(record.path)
        self._discarded: list[float] = []  # not yet in the record

    @property
    def head(self) -> str:
        """The record's head."""
        return self._record.head

    def prepare(self) -> None:
        """Readies the folder; a recording that no entry names was left by a run that was killed, and goes."""
        self._audio.mkdir(exist_ok=True)
        for path in self._audio.iterdir():
            if path.name not in self._named:
                path.unlink()

    def keep(self, utterance: Utterance, question: Question, state: State) -> tuple[Said, dict[str, Any]]:
        """Writes the utterance's recording, if it is one that is kept; the entry that names it follows."""
        language, heard = self._dialogue.language, utterance.heard
        more: dict[str, Any] = {"decode_s": round(utterance.decode_s, 3), "grammar_sha256": self._grammar_sha256}
        if not keeps(state.phase, language.understand(heard.text, question)):
            self.let_go(utterance)
            return Said(redacted(heard), utterance.first_word_s), more
        number = 1 + max((int(name.split(".")[0]) for name in self._named if name), default=0)
        name = f"{number:04d}.flac"
        more["sha256"] = _written(utterance, self._audio / name)
        self._named.add(name)
        repaired = " ".join(normalise(heard.text))
        if repaired != heard.text:
            more["repaired"] = repaired
        if considered := language.why(heard.text, question, state.hand.refused):
            more["considered"] = [
                {"value": value_text(c.reading.value), "unit": c.reading.unit, "how": c.how, "gone": c.gone}
                for c in considered
            ]
        return Said(heard, utterance.first_word_s, name, utterance.over_noise_db), more

    def let_go(self, utterance: Utterance) -> None:
        """Counts it; the next entry says so."""
        self._discarded.append(utterance.audio.seconds)

    def write(self, event: Event, effects: Sequence[Effect], more: Mapping[str, Any]) -> None:
        """The event and all that it decided, in one transaction."""
        kind = next(kind for kind, of in EVENTS.items() if isinstance(event, of))
        # What is not known is not written: records of before have no such key.
        known = {key: value for key, value in msgspec.to_builtins(event).items() if value is not None}
        self._record.append([(kind, {**known, **more}), *notes_of(effects), *_discarded(self._discarded)])
        self._discarded.clear()

    def fact(self, kind: str, body: Mapping[str, Any]) -> None:
        """An entry beside the events."""
        self._record.append([(kind, dict(body))])

    def end(self) -> None:
        """The end, with what the record then holds."""
        entries = list(self._record.entries())
        discarded = [entry.body for entry in entries if entry.kind == "discarded"]
        totals = {
            "entries": len(entries),
            "recordings": sum(1 for entry in entries if entry.body.get("audio") and entry.kind in UTTERANCES),
            "discarded": {  # over the last words, too
                "utterances": sum(body["utterances"] for body in discarded) + len(self._discarded),
                "seconds": round(sum(body["seconds"] for body in discarded) + sum(self._discarded), 1),
            },
        }
        self._record.append([(END, totals)])
