"""The real `Visit` at work without sound hardware or recognition: people say what a function says."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import ClassVar
from unittest.mock import patch

import numpy as np
from doubles import ScriptedPlayer, ScriptedVoice, TestClock
from scripted_visits import answer, demo_job

from assistant.files import library
from assistant.language.heard import Heard
from assistant.language.meaning import Question
from assistant.language.phrases import Expected
from assistant.record.record import Clock, Record, system_clock
from assistant.record.setting import Setting
from assistant.session.edges import Edges
from assistant.session.expecting import Expecting
from assistant.session.visit import Visit
from assistant.speech.audio import Audio
from assistant.speech.ears import Utterance
from assistant.speech.player import Player
from assistant.speech.voice import Voice
from assistant.trade.job import Job

RATE_HZ = 16000
Say = Callable[[], str | float | None]
"""What is said next: words, seconds of quiet, or None when the recording is over."""


class NothingDrawn(Expecting):
    """Draws no phrases: they are for a recognizer, take a second a question, and scripted ears use none."""

    def _draw(self, question: Question) -> Expected:
        return Expected(self.language, question)


class ScriptedEars:
    """Hears what `say()` says; a word lasts 0.3 s, a pause before it one second. The sound is a short tone."""

    def __init__(self, say: Say, clock: TestClock | None = None) -> None:
        self.recognizer = SimpleNamespace(name="scripted 1, model none", rate_hz=RATE_HZ)
        self.now_s = 0.0
        self.helper_lost = ""
        self._say, self._clock = say, clock

    def spoke(self) -> None:
        """Nobody in a script talks into the assistant's own words."""

    def restart(self, gone_s: float) -> None:
        """The device is back."""

    def listen(
        self, expected: object, grown: object, quiet_s: float, by_s: float | None = None
    ) -> Utterance | float | None:
        said = self._say()
        if said is None:
            return None
        start = self.now_s + 1.0
        words = said.split() if isinstance(said, str) else []
        spent = 1.0 + 0.3 * len(words) if isinstance(said, str) else said
        self.now_s = round(self.now_s + spent, 3)
        if self._clock:
            self._clock.advance(spent)
        if not isinstance(said, str):
            return said
        tone = (3000 * np.sin(np.arange(800) * (0.1 + sum(map(ord, said)) % 500 / 1000))).astype(np.int16)
        return Utterance(Audio(tone, RATE_HZ), round(start, 3), Heard(said), 0.01)


class BackAtOnce:
    """Devices that are there again as soon as they are looked for."""

    facts: ClassVar[dict[str, object]] = {"microphone": "double"}

    def __init__(self) -> None:
        self.told = 0

    def notices(self) -> tuple[()]:
        return ()

    def recover(self) -> bool:
        return True

    def tell(self, sound: Audio) -> bool:
        self.told += 1
        return True


class TickingPlayer(ScriptedPlayer):
    """Plays as long as the sound is, by the clock of a test."""

    def __init__(self, clock: TestClock) -> None:
        super().__init__()
        self._clock = clock

    def play(self, audio: Audio):  # type: ignore[no-untyped-def]
        self._clock.advance(round(audio.seconds, 2))
        self.played.clear()
        return super().play(audio)


ODD = (
    "say again",
    "how far",
    "what is the limit",
    "correction",
    "go back",
    "hold",
    "[unk] the [unk] game tonight",
    "note the filter is dirty",
    "three five",
    "skip",
    "fifteen",
    "one twenty",
    "no",
)
"""What is said out of turn, some of it by somebody who does not talk to the assistant."""


class Person:
    """Answers what is asked, by a script and plain answers; of `odd_in` sayings one is out of turn.

    After `most` sayings the recording is over.
    """

    def __init__(
        self, script: Mapping[str, Sequence[str]] | None = None, odd_in: int = 0, seed: int = 1, most: int = 10**6
    ) -> None:
        self.visit: Visit | None = None
        self.said = 0
        self._script = {key: list(said) for key, said in (script or {}).items()}
        self._odd_in = odd_in
        self._random = random.Random(seed)
        self._most = most

    def __call__(self) -> str | float | None:
        assert self.visit is not None
        if self.said >= self._most:
            return None
        self.said += 1
        if self._odd_in and self._random.randrange(self._odd_in) == 0:
            return self._random.choice(ODD)
        return answer(self.visit.dialogue, self.visit.state, self._script)


def open_visit(
    path: Path,
    say: Say,
    job: Job | None = None,
    clock: Clock = system_clock,
    voice: Voice | None = None,
    player: Player | None = None,
    ears: ScriptedEars | None = None,
    **more: object,
) -> Visit:
    """A visit on the record at `path`, new or resumed; a `Person` is told which one it answers in."""
    scripted = clock if isinstance(clock, TestClock) else None
    if path.exists():
        record = Record.open(path, clock=clock)
    else:
        record = Record.create(path, clock)
        setting = Setting(library().rules_for(job or demo_job()), library().grammar_texts, "scripted", "scripted")
        record.append([("visit", setting.to_body())])
    player = player or (TickingPlayer(scripted) if scripted else ScriptedPlayer())
    ears = ears or ScriptedEars(say, scripted)
    edges = Edges(ears, voice or ScriptedVoice(), player, lambda event, effects: None, **more)  # type: ignore[arg-type]
    with patch("assistant.session.loop.Expecting", NothingDrawn):
        visit = Visit(record, edges)
    if isinstance(say, Person):
        say.visit = visit
    return visit
