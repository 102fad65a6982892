"""A visit at work: events into the dialogue, its effects out to record and voice.

What an event makes is committed to the record before any of it is said. The state is never stored: it is the
fold of the recorded events, so a visit resumes exactly where its record ends.
"""

from __future__ import annotations

import hashlib
import textwrap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import msgspec

from assistant.dialogue.effects import Effect, Note, Say
from assistant.dialogue.events import Event, Opened, Quiet, Said, Voiced
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Phase, Rules, State
from assistant.errors import Problem
from assistant.language.jsgf import read_grammars
from assistant.language.meaning import Command, Question
from assistant.language.phrases import Expected
from assistant.language.spoken import spoken_characters
from assistant.language.utterance import Language
from assistant.speech.audio import write_flac
from assistant.speech.ears import Ears, Utterance
from assistant.speech.player import Player, PlayerError
from assistant.speech.voice import Voice, VoiceError
from assistant.trade.job import Job
from assistant.trade.limits import GenericLimit
from assistant.trade.procedures import Hazard, Procedure
from assistant.trade.quantities import Quantity
from assistant.visit.record import Entry, Record

QUIET_S = 30.0  # nobody spoke: the assistant says what it waits for
BETWEEN_S = 0.6  # how long it listens between two sentences of its own, where people can interrupt
LONGEST_S = 5.0  # of its own voice at a stretch (decision 6): a text that takes longer is cut in two
LONGEST_TEXT = 62  # characters that mostly take less than that: sentences are said at 14 a second (measured)

EVENTS: dict[str, type[Event]] = {"opened": Opened, "said": Said, "quiet": Quiet, "voiced": Voiced}


@dataclass(frozen=True)
class Setting:
    """What a visit is worked by, as its record's first entry keeps it.

    origin: for recordings, the files that were given. engine: what hears. voice: what speaks.
    """

    rules: Rules
    grammars: dict[str, str]
    engine: str
    voice: str
    origin: tuple[str, ...] = ()

    def to_body(self) -> dict[str, Any]:
        """As plain JSON values."""
        rules = self.rules
        return {
            "procedure": rules.procedure.model_dump(mode="json"),
            "job": rules.job.model_dump(mode="json"),
            **{
                name: {key: model.model_dump(mode="json") for key, model in getattr(rules, name).items()}
                for name in ("quantities", "limits", "hazards")
            },
            "grammars": self.grammars,
            "grammar_sha256": hashlib.sha256("\0".join(self.grammars.values()).encode()).hexdigest(),
            "engine": self.engine,
            "voice": self.voice,
            "origin": list(self.origin),
        }

    @classmethod
    def from_body(cls, body: dict[str, Any]) -> Setting:
        """The inverse of `to_body`."""
        rules = Rules(
            Procedure.model_validate(body["procedure"]),
            {key: Quantity.model_validate(value) for key, value in body["quantities"].items()},
            {key: GenericLimit.model_validate(value) for key, value in body["limits"].items()},
            {key: Hazard.model_validate(value) for key, value in body["hazards"].items()},
            Job.model_validate(body["job"]),
        )
        return cls(rules, body["grammars"], body["engine"], body["voice"], tuple(body["origin"]))

    def dialogue(self) -> Dialogue:
        """The dialogue by these rules and grammars."""
        language = Language(read_grammars(self.grammars), dict(self.rules.quantities))
        return Dialogue(language, self.rules)


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
        made = [(effect.kind, effect.body) for effect in self.effects if isinstance(effect, Note)]
        return made == [(entry.kind, entry.body) for entry in self.notes]


def setting_of(record: Record) -> Setting:
    """What the visit of a record is worked by. Raises Problem when the record does not begin with it."""
    first = next(record.entries(), None)
    if first is None or first.kind != "visit":
        raise Problem(f"{record.path} holds no visit; it was stopped before it began, so start a new one.")
    return Setting.from_body(first.body)


def turns(record: Record) -> Iterator[Turn]:
    """Folds a record again, event by event."""
    dialogue = setting_of(record).dialogue()
    state = dialogue.start()
    waiting: Entry | None = None
    notes: list[Entry] = []

    def fold(entry: Entry) -> Turn:
        event = msgspec.convert(entry.body, EVENTS[entry.kind])
        after, effects = dialogue.step(state, event)
        return Turn(entry, event, state, after, tuple(effects), tuple(notes))

    for entry in record.entries():
        if entry.kind == "visit":
            continue
        if entry.kind in EVENTS:
            if waiting:
                turn = fold(waiting)
                state = turn.after
                yield turn
            waiting, notes = entry, []
        else:
            notes.append(entry)
    if waiting:
        yield fold(waiting)


def stretches(says: Sequence[Say]) -> list[str]:
    """The texts to voice one at a time: none so long that nobody could interrupt for five seconds."""
    return [part for say in says for part in textwrap.wrap(say.text, LONGEST_TEXT)]


class Visit:
    """Runs one visit until it is closed, or until its source of sound ends.

    show(event, effects) is told of every turn, after it is in the record. can_interrupt: people may speak
    between two sentences (a microphone; people in a recording wait).
    """

    def __init__(
        self,
        record: Record,
        ears: Ears,
        voice: Voice,
        player: Player,
        show: Callable[[Event, Sequence[Effect]], None],
        can_interrupt: bool = False,
    ) -> None:
        self.record = record
        self.setting = setting_of(record)
        self.dialogue = self.setting.dialogue()
        self.state = self.dialogue.start()
        self._ears, self._voice, self._player, self._show = ears, voice, player, show
        self._can_interrupt = can_interrupt
        self._audio = record.path.with_suffix(".audio")
        self._expected: dict[Question, Expected] = {}
        self._number = 0
        self.resumed = False
        for turn in turns(record):
            self.state = turn.after
            self.resumed = True
            self._number += isinstance(turn.event, Said)

    def run(self) -> bool:
        """Works the visit. Returns whether it came to its end."""
        self._audio.mkdir(exist_ok=True)
        self._do(Opened(resumed=self.resumed))
        while self.state.phase is not Phase.CLOSED:
            question = self.dialogue.question(self.state)
            got = self._listen(question, QUIET_S)
            if got is None:
                return False
            if isinstance(got, float):
                self._do(Quiet(got), {"stream_to_s": self._ears.now_s})
            else:
                self._do(*self._keep(got, question))
        head = spoken_characters(self.record.head[:8])
        self._speak([f"The record's head begins with {head}."])
        return True

    def _listen(self, question: Question, quiet_s: float) -> Utterance | float | None:
        if question not in self._expected:
            self._expected[question] = Expected(self.dialogue.language, question)
        can_grow = partial(self.dialogue.language.can_grow, question=question)
        return self._ears.listen(self._expected[question], can_grow, quiet_s)

    def _keep(self, utterance: Utterance, question: Question) -> tuple[Said, dict[str, Any]]:
        """Writes the utterance's recording; the entry that names it follows."""
        self._number += 1
        path = self._audio / f"{self._number:04d}.flac"
        write_flac(path, utterance.audio)
        said = Said(utterance.heard, utterance.first_word_s, path.name)
        return said, {
            "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
            "stream_from_s": utterance.start_s,
            "stream_to_s": self._ears.now_s,
            "decode_s": round(utterance.decode_s, 3),
            "question": question.name,
        }

    def _do(self, event: Event, more: dict[str, Any] | None = None) -> None:
        """One event and whatever follows from voicing what it makes."""
        extra = more or {}
        while True:
            state, effects = self.dialogue.step(self.state, event)
            kind = next(kind for kind, of in EVENTS.items() if isinstance(event, of))
            notes = [(effect.kind, effect.body) for effect in effects if isinstance(effect, Note)]
            self.record.append([(kind, {**msgspec.to_builtins(event), **extra}), *notes])
            self.state = state
            self._show(event, effects)
            texts = stretches([effect for effect in effects if isinstance(effect, Say)])
            if not texts:
                return
            event, extra = self._speak(texts)

    def _speak(self, texts: Sequence[str]) -> tuple[Event, dict[str, Any]]:
        """Says the texts one at a time; the event is what became of them, or who interrupted."""
        played: list[dict[str, Any]] = []
        waiting = list(texts)
        while waiting:
            text = waiting.pop(0)
            try:
                sound = self._voice.render(text)
                if sound.seconds > LONGEST_S and " " in text:
                    waiting = [*textwrap.wrap(text, len(text) // 2 + 1), *waiting]
                    continue
                done = self._player.play(sound)
            except (VoiceError, PlayerError) as wrong:
                return Voiced(complete=False, problem=str(wrong)), {"played": played}
            played.append({"text": text, "seconds": round(done.seconds, 2)})
            if not done.complete:
                return Voiced(complete=False, problem=f"cut off: {text}"), {"played": played}
            if self._can_interrupt and waiting and (heard := self._interruption()):
                return heard
        return Voiced(complete=True), {"played": played}

    def _interruption(self) -> tuple[Said, dict[str, Any]] | None:
        """Between two sentences only stop and the emergency words count; anything else is let go."""
        question = Question("between")
        got = self._listen(question, BETWEEN_S)
        if isinstance(got, Utterance):
            meaning = self.dialogue.language.understand(got.heard.text, question)
            if meaning in (Command("stop"), Command("emergency")):
                return self._keep(got, question)
        return None
