"""What comes before a visit: waiting for the spoken start, and setting it up by voice where the job file is silent.

Nothing is recorded while it waits. What is answered in the set-up is kept here, in memory, and written with the first
entry of the record, in one transaction: stopped before that, a set-up leaves nothing, and is asked again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import msgspec

from assistant.dialogue import wording
from assistant.dialogue.effects import Effect, Note, Say
from assistant.dialogue.events import Event, Said
from assistant.dialogue.setting_up import SettingUp, SetUp, Stage
from assistant.errors import Problem
from assistant.language.meaning import Question
from assistant.language.utterance import Language
from assistant.speech.audio import louder, write_flac
from assistant.speech.devices import MicrophoneLost
from assistant.speech.ears import Ears, Utterance
from assistant.speech.player import Player, PlayerError
from assistant.speech.voice import Voice, VoiceError
from assistant.visit.expecting import Expecting
from assistant.visit.mouth import Mouth
from assistant.visit.visit import DEVICE_BACK, QUIET_S, USUAL_DB, Route, stretches, wait_for_devices

START = Question("start")
WAITS = "Waiting. Say begin the visit."
FOR_EVER_S = 1e9  # while it waits nobody needs to say anything
CALLS = 3  # silences in a row after which the set-up waits for the start words instead of asking on
LEFT = "It was stopped before the visit began, and nothing of it is recorded; start again, and it asks again."


@dataclass(frozen=True)
class Answer:
    """Something said in the set-up that is kept. body: what was asked and decided, and how it was heard."""

    utterance: Utterance
    body: dict[str, Any]


class Beforehand:
    """Speaks and listens before there is a record. show(event, effects) is told of every turn.

    route: the devices, for getting a lost one back; without it a lost one ends the run. headset: as in a visit, stop
    and the emergency words are heard while it speaks, and cut it off.
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
        self._route, self._quiet_s = route, quiet_s
        self._expecting = Expecting(language)
        self._mouth = Mouth(ears, player, self._expecting, headset, lambda _: None)
        self.answers: list[Answer] = []
        self.discarded: list[float] = []
        """Seconds of what was heard and not kept."""

    def wait(self) -> None:
        """Waits for the start words. Nothing else that is heard counts or is kept; an emergency is answered."""
        says: Sequence[Effect] = [Say(WAITS)]
        while True:
            got = self._speak(says, START) or self._listen(
                START, partial(self._language.can_grow, question=START), FOR_EVER_S
            )
            says = []
            if not isinstance(got, Utterance):
                says = [Say(WAITS)]  # a device was lost, and is back
                continue
            if self._language.tag("start", got.heard.text):
                return
            if self._language.urgent(got.heard.text) == "emergency":
                says = [*(Say(text, "alarm") for text in wording.sentences(wording.GAS_ALARM)), Say(WAITS)]

    def set_up(self, dialogue: SetUp, state: SettingUp) -> SettingUp:
        """Asks for what is not known, until the visit is to begin."""
        says = dialogue.opening(state)
        silences = 0
        while True:
            question = dialogue.question(state)
            got = self._speak(says, question) or self._listen(question, partial(dialogue.grown, state), self._quiet_s)
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
            notes = [effect for effect in effects if isinstance(effect, Note)]
            for note in notes:
                self._keep(got, event, question, note)
            if not notes:
                self.discarded.append(got.audio.seconds)
            self._show(event, effects)
            if state.stage is Stage.DONE:
                return state
            says = effects

    def entries(self, folder: Path, grammar_sha256: str) -> list[tuple[str, dict[str, Any]]]:
        """The entries of the set-up, their recordings written to `folder`."""
        folder.mkdir(exist_ok=True)
        entries: list[tuple[str, dict[str, Any]]] = []
        for number, answer in enumerate(self.answers, 1):
            path = folder / f"{number:04d}.flac"
            write_flac(path, answer.utterance.audio)
            sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
            more = {"audio": path.name, "sha256": sha256, "grammar_sha256": grammar_sha256}
            entries.append(("set-up", {**answer.body, **more}))
        if self.discarded:
            lost = {"utterances": len(self.discarded), "seconds": round(sum(self.discarded), 1)}
            entries.append(("discarded", lost))
        return entries

    def _keep(self, utterance: Utterance, event: Said, question: Question, note: Note) -> None:
        body = {
            **note.body,
            "heard": msgspec.to_builtins(event.heard),
            "at_s": event.at_s,
            "stream_from_s": utterance.start_s,
            "stream_to_s": self._ears.now_s,
            "question": question.name,
            "engine": self._ears.recognizer.name,
        }
        self.answers.append(Answer(utterance, body))

    def _listen(self, question: Question, grown: Callable[[str], bool | None], quiet_s: float) -> Utterance | None:
        """The next utterance; None after so long a silence. Problem at the end of a recording."""
        try:
            got = self._ears.listen(self._expecting[question], grown, quiet_s)
        except MicrophoneLost as lost:
            self._recover(lost)
            return None
        if got is None:
            raise Problem(f"The recording ended before the visit began. {LEFT}")
        if not isinstance(got, Utterance):
            return None
        # An answer with a hole in it is none.
        return None if got.gaps and not self._language.urgent(got.heard.text) else got

    def _speak(self, says: Sequence[Effect], question: Question) -> Utterance | None:
        """Says the texts one at a time; meanwhile what the question lets people say is made ready. Who cut it off."""
        waiting = stretches([effect for effect in says if isinstance(effect, Say)])
        while waiting:
            say = waiting[0]
            try:
                sound = louder(self._voice.render(say.text), 0.0 if say.manner == "alarm" else USUAL_DB)
                self._expecting.prepare(question)
                voicing = self._mouth.play(sound)
            except VoiceError as wrong:
                raise Problem(f"{str(wrong).rstrip('.')}. {LEFT}") from wrong
            except (PlayerError, MicrophoneLost) as lost:
                self._recover(lost)
                continue  # the sentence once more
            if voicing.cut_by:
                return voicing.cut_by
            waiting.pop(0)
        return None

    def _recover(self, lost: Exception) -> None:
        if self._route is None:
            raise Problem(f"{str(lost).rstrip('.')}. {LEFT}") from lost
        wait_for_devices(self._route, self._ears, self._voice)
        with suppress(VoiceError):
            self._route.tell(self._voice.render(DEVICE_BACK))
