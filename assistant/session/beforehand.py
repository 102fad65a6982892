"""What comes before a visit: waiting for the spoken start, and setting it up by voice where the job file is silent.

Nothing is recorded while it waits but an emergency. That, and what is answered in the set-up, is kept here, in memory,
and written with the first entry of the record, in one transaction: stopped before that, a set-up leaves nothing, and is
asked again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import msgspec

from assistant.dialogue.context import alarm
from assistant.dialogue.effects import Effect, Note, Say
from assistant.dialogue.events import Event, Said
from assistant.dialogue.setting_up import SET_UP, SettingUp, SetUp, Stage
from assistant.errors import Problem
from assistant.language.meaning import Question
from assistant.language.utterance import Language
from assistant.session.expecting import Expecting
from assistant.session.mouth import BETWEEN, DEVICE_BACK, Interruption, Mouth, Route
from assistant.session.visit import BETWEEN_S, QUIET_S, USUAL_DB, stretches
from assistant.speech.audio import Audio, louder, write_flac
from assistant.speech.devices import MicrophoneLost
from assistant.speech.ears import Ears, Utterance
from assistant.speech.player import Player, PlayerError
from assistant.speech.voice import Voice, VoiceError

START = Question("start")
WAITS = "Waiting. Say begin the visit."
FOR_EVER_S = 1e9  # while it waits nobody needs to say anything
CALLS = 3  # silences in a row after which the set-up waits for the start words instead of asking on
LEFT = "It was stopped before the visit began, and nothing of it is recorded; start again, and it asks again."


@dataclass(frozen=True)
class Answer:
    """Something said before the visit that is kept. body: what was asked and decided, and how it was heard. decided:
    decisions beside that, as they are in a visit."""

    utterance: Utterance
    body: dict[str, Any]
    decided: tuple[Note, ...] = ()


class Beforehand:
    """Speaks and listens before there is a record. show(event, effects) is told of every turn.

    route: the devices, for getting a lost one back; without it, with recordings, a lost one ends the run. headset: as
    in a visit, stop and the emergency words are heard while it speaks, and cut it off, else between two sentences.
    """

    def __init__(
        self,
        language: Language,
        ears: Ears,
        voice: Voice,
        player: Player,
        show: Callable[[Event, Sequence[Effect]], None],
        route: Route | None = None,
        quiet_s: float = QUIET_S,
        headset: bool = False,
    ) -> None:
        self._language, self._ears, self._voice, self._player, self._show = language, ears, voice, player, show
        self._route, self._quiet_s, self._headset = route, quiet_s, headset
        self._expecting = Expecting(language)
        self._mouth = Mouth(ears, player, self._expecting, self._sound, headset, lambda _: None, route)
        self.answers: list[Answer] = []
        self.discarded: list[float] = []
        """Seconds of what was heard and not kept."""

    def wait(self) -> None:
        """Waits for the start words. Nothing else that is heard counts or is kept, but an emergency."""
        says: Sequence[Effect] = [Say(WAITS)]
        while True:
            self._speak(says, START)
            got = self._listen(START, partial(self._language.can_grow, question=START), FOR_EVER_S)
            says = []
            if not isinstance(got, Utterance):
                says = [Say(WAITS)]  # a device was lost, and is back
                continue
            text = got.heard.text
            if self._language.tag("start", text):
                return
            if kind := self._language.emergency(text):
                event = Said(got.heard, got.first_word_s)
                effects = [Note("set-up", {"asked": START.name, "decided": "emergency"}), *alarm(text, SET_UP, kind)]
                self._keep(got, event, START, effects)
                self._show(event, effects)
                says = [*effects, Say(WAITS)]

    def set_up(self, dialogue: SetUp, state: SettingUp) -> SettingUp:
        """Asks for what is not known, until the visit is to begin."""
        says = dialogue.opening(state)
        silences = 0
        while True:
            question = dialogue.question(state)
            self._speak(says, question)
            got = self._listen(question, partial(dialogue.grown, state), self._quiet_s)
            if not isinstance(got, Utterance):
                silences += 1
                if silences == CALLS and state.stage is not Stage.EMERGENCY:
                    self.wait()
                    silences = 0
                says = dialogue.present(state)
                continue
            silences = 0
            event = Said(got.heard, got.first_word_s)
            state, effects = dialogue.step(state, event)
            self._keep(got, event, question, effects)
            self._show(event, effects)
            if state.stage is Stage.DONE:
                return state
            says = effects

    def entries(self, folder: Path, grammar_sha256: str) -> list[tuple[str, dict[str, Any]]]:
        """The entries of the set-up, their recordings written to `folder`, after those that are there."""
        folder.mkdir(exist_ok=True)
        entries: list[tuple[str, dict[str, Any]]] = []
        there = (int(path.stem) for path in folder.glob("*.flac") if path.stem.isdecimal())
        for number, answer in enumerate(self.answers, 1 + max(there, default=0)):
            path = folder / f"{number:04d}.flac"
            write_flac(path, answer.utterance.audio)
            sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
            more = {"audio": path.name, "sha256": sha256, "grammar_sha256": grammar_sha256}
            entries += [("set-up", {**answer.body, **more}), *((note.kind, note.body) for note in answer.decided)]
        if self.discarded:
            lost = {"utterances": len(self.discarded), "seconds": round(sum(self.discarded), 1)}
            entries.append(("discarded", lost))
        return entries

    def _keep(self, utterance: Utterance, event: Said, question: Question, effects: Sequence[Effect]) -> None:
        """Keeps what was said where it decided something; else it is only counted."""
        notes = [effect for effect in effects if isinstance(effect, Note)]
        if not notes:
            self.discarded.append(utterance.audio.seconds)
            return
        body = {
            **notes[0].body,
            "heard": msgspec.to_builtins(event.heard),
            "at_s": event.at_s,
            "stream_from_s": utterance.start_s,
            "stream_to_s": self._ears.now_s,
            "question": question.name,
            "engine": self._ears.recognizer.name,
        }
        self.answers.append(Answer(utterance, body, tuple(notes[1:])))

    def _listen(self, question: Question, grown: Callable[[str], bool | None], quiet_s: float) -> Utterance | None:
        """Who cut in, else the next utterance; None after so long a silence. Problem at the end of a recording."""
        got: Utterance | float | None = 0.0
        if not self._mouth.heard:
            try:
                got = self._ears.listen(self._expecting[question], grown, quiet_s)
            except MicrophoneLost as lost:
                self._recover(lost)
        if self._mouth.heard:
            return self._mouth.heard.popleft().utterance
        if got is None:
            raise Problem(f"The recording ended before the visit began. {LEFT}")
        if not isinstance(got, Utterance):
            return None
        # An answer with a hole in it is none.
        return None if got.gaps and not self._language.urgent(got.heard.text) else got

    def _speak(self, says: Sequence[Effect], question: Question) -> None:
        """Says the texts one at a time, until somebody cuts in; meanwhile what the question lets people say is made
        ready."""
        waiting = stretches([effect for effect in says if isinstance(effect, Say)])
        while waiting and not self._mouth.heard:
            say = waiting[0]
            try:
                sound = self._sound(say)
                self._expecting.prepare(question)
                self._mouth.play(say.text, sound)
            except VoiceError as wrong:
                raise Problem(f"{str(wrong).rstrip('.')}. {LEFT}") from wrong
            except (PlayerError, MicrophoneLost) as lost:
                # An alarm does not wait for a device.
                if not self._mouth.heard and self._mouth.tell([each for each in waiting if each.manner == "alarm"]):
                    self._recover(lost)
                continue  # the sentence once more
            waiting.pop(0)
            if waiting and self._route and not self._headset:
                self._listen_between()

    def _listen_between(self) -> None:
        """Between two sentences only stop and the emergency words count."""
        got = self._listen(BETWEEN, partial(self._language.can_grow, question=BETWEEN), BETWEEN_S)
        if got and self._language.urgent(got.heard.text):
            self._mouth.heard.append(Interruption(got))

    def _sound(self, say: Say) -> Audio:
        return louder(self._voice.render(say.text), 0.0 if say.manner == "alarm" else USUAL_DB)

    def _recover(self, lost: Exception) -> None:
        """Waits for the devices, or until somebody cuts in."""
        if self._route is None:
            raise Problem(f"{str(lost).rstrip('.')}. {LEFT}") from lost
        if self._mouth.wait_for_devices() is not None:
            self._mouth.tell([DEVICE_BACK])
