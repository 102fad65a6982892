"""A visit at work: events into the dialogue, its effects out to record and voice.

What an event makes is committed to the record before any of it is said. The state is never stored: it is the
fold of the recorded events, so a visit resumes exactly where its record ends.
"""

from __future__ import annotations

import hashlib
import textwrap
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from importlib.metadata import version
from typing import Any, TypeVar

import msgspec

from assistant.dialogue import timers
from assistant.dialogue.effects import Effect, Note, Say
from assistant.dialogue.events import Clock, Event, Opened, Quiet, Said, Voiced
from assistant.dialogue.state import Phase
from assistant.errors import NotWritten
from assistant.language.heard import Heard
from assistant.language.meaning import Question, value_text
from assistant.language.spoken import spoken_characters
from assistant.language.utterance import normalise
from assistant.record.fold import EVENTS, turns
from assistant.record.record import END, SCHEMA_VERSION, UTTERANCES, Record, audio_of
from assistant.record.setting import setting_of
from assistant.session.expecting import Expecting
from assistant.session.mouth import BETWEEN, DEVICE_BACK, Interruption, Mouth, Route
from assistant.session.privacy import keeps, redacted
from assistant.speech.audio import Audio, joined, louder, write_flac
from assistant.speech.devices import MicrophoneLost
from assistant.speech.earcons import Earcon, earcon
from assistant.speech.ears import Ears, Utterance
from assistant.speech.player import Player, PlayerError
from assistant.speech.voice import Voice, VoiceError
from assistant.wording import english as wording

QUIET_S = 30.0  # nobody spoke: the assistant says what it waits for
BETWEEN_S = 0.6  # how long it listens between two sentences of its own, where people can interrupt
LONGEST_S = 5.0  # of its own voice at a stretch (decision 6): a text that takes longer is cut in two
LONGEST_TEXT = 62  # characters that mostly take less than that: sentences are said at 14 a second (measured)

PACE_WPM = 165  # words a minute
PACE_STEP = 1.15  # by which "faster" and "slower" change it
USUAL_DB = -6.0  # below the voice's full loudness, so that there is something left for "louder" and for a call
STEP_DB = 3.0  # a plainly audible step

RETRY_S = 5.0  # between two tries to write what did not fit on the disk
REMIND_S = 60.0  # how often a person is told that the disk is full

NO_ROOM = ("The record cannot be written.", "Nothing recorded is lost. The visit holds.", "Free some space.")
ROOM_AGAIN = "The record is written again."

HELPER_LOST = "The helper's microphone is gone. I hear the other one."

# What the short sound "refused" goes before.
REFUSALS = ("unclear", "refused", "not-opened", "marks-dropped", "stopwatch-refused")

T = TypeVar("T")


def stretches(says: Sequence[Say]) -> list[Say]:
    """What to voice at a time: no text so long that nobody could interrupt for five seconds."""
    return [replace(say, text=part) for say in says for part in textwrap.wrap(say.text, LONGEST_TEXT)]


def _signal(event: Event, effects: Sequence[Effect]) -> Earcon | None:
    """The short sound before an answer: a warning, a refusal; or alone, that something was heard."""
    if any(isinstance(effect, Say) and effect.manner in ("hazard", "alarm") for effect in effects):
        return "hazard"
    if any(isinstance(effect, Note) and effect.kind in REFUSALS for effect in effects):
        return "refused"
    spoken = any(isinstance(effect, Say) for effect in effects)
    return "heard" if isinstance(event, Said) and not spoken else None


class Visit:
    """Runs one visit until it is closed, or until its source of sound ends.

    show(event, effects) is told of every turn, after it is in the record. can_interrupt: people may speak
    between two sentences (a microphone; people in a recording wait). sleep: waits some seconds before what could
    not be written is tried again; None gives up at once instead, for nobody is there to make room. quiet_s: of
    silence, after which it says what it waits for. route: the devices,
    for getting a lost one back; without it a lost one ends the run. headset: the voice does not come back into the
    microphone, so that stop and the emergency words are heard while it speaks, and cut it off.
    """

    def __init__(
        self,
        record: Record,
        ears: Ears,
        voice: Voice,
        player: Player,
        show: Callable[[Event, Sequence[Effect]], None],
        can_interrupt: bool = False,
        sleep: Callable[[float], None] | None = time.sleep,
        quiet_s: float = QUIET_S,
        route: Route | None = None,
        headset: bool = False,
    ) -> None:
        self.record = record
        self.setting = setting_of(record)
        self.dialogue = self.setting.dialogue()
        self.state = self.dialogue.start()
        self._ears, self._voice, self._player, self._show = ears, voice, player, show
        self._quiet_s = quiet_s
        self._expecting = Expecting(self.dialogue.language)
        self._can_interrupt, self._sleep, self._route = can_interrupt, sleep, route
        self._headset = headset
        self._mouth = Mouth(ears, player, self._expecting, self._sound, headset, self._let_go, route)
        self._audio = audio_of(record.path)
        self._named: set[str] = set()  # recordings that the record names
        self._discarded: list[float] = []  # seconds of what was heard and not kept, not yet in the record
        self._ready: dict[str, Audio] = {}  # what is said when the record cannot be written, made beforehand
        self.resumed = False
        self._ended = False
        for entry in record.entries():
            self._ended = self._ended or entry.kind == END
            if entry.kind == "set-up":
                self._named.add(entry.body["audio"])
        for turn in turns(record):
            self.state = turn.after
            self.resumed = True
            if isinstance(turn.event, Said):
                self._named.add(turn.event.audio)

    def run(self) -> bool:
        """Works the visit. Returns whether it came to its end."""
        if self._ended:
            return True
        self._prepare()
        self._do(Opened(resumed=self.resumed), self._run())
        silent_s = 0.0
        while True:
            if self._mouth.heard:
                silent_s = 0.0
                self._do(*self._cut_in())
                continue
            if self.state.phase is Phase.CLOSED:
                if self._end():
                    return True
                continue
            question = self.dialogue.question(self.state)
            due_s = timers.due_s(self.dialogue, self.state)
            got = self._listen(question, self._quiet_s - silent_s, due_s)
            if isinstance(got, Utterance):
                silent_s = 0.0
                self._do(*self._keep(got, question))
            elif self._mouth.heard:  # over what was said of a device
                continue
            elif got is None:
                return False
            elif due_s is not None and self._ears.now_s >= due_s:
                silent_s += got
                self._do(Clock(self._ears.now_s), {"stream_to_s": self._ears.now_s})
            else:
                self._do(Quiet(silent_s + got), {"stream_to_s": self._ears.now_s})
                silent_s = 0.0

    def _end(self) -> bool:
        """Says the last words, then writes the end, after which nothing can be recorded; whether it is written.

        Not yet, where somebody cut in (that is an event like any other), a device was lost meanwhile, or there was no
        room for it: then the record has another head, which is said. So the head that was said is that before the end.
        """
        head = self.record.head
        self._speak([Say(f"The record's head begins with {spoken_characters(head[:8])}.")])
        if self._can_interrupt and not self._mouth.heard:
            self._listen_between(BETWEEN_S)
        if self._mouth.heard or self.record.head != head:
            return False
        try:
            self.record.append([(END, self._totals())])
        except NotWritten as full:
            self._hold(lambda: None, full)
            return False
        return True

    def device(self, what: str, **more: Any) -> None:
        """Records what happened to a device: "microphone lost", "headset back"."""
        self._written(lambda: self.record.append([("device", {"what": what, **more})]))

    def _prepare(self) -> None:
        """Readies the folder; a recording that no entry names was left by a run that was killed, and goes."""
        self._audio.mkdir(exist_ok=True)
        for path in self._audio.iterdir():
            if path.name not in self._named:
                path.unlink()
        try:  # a full disk may also keep the voice from being made then
            self._ready = {text: self._voice.render(text) for text in NO_ROOM}
        except VoiceError:
            self._ready = {}  # the first prompt fails too, and that is recorded

    def _run(self) -> dict[str, Any]:
        """What this run of the program is, for the record: the clock and the engine may be others than before."""
        return {
            "program": version("ignition-assistant"),
            "schema": SCHEMA_VERSION,
            "engine": self._ears.recognizer.name,
            "grammar_sha256": self.setting.grammar_sha256,
        }

    def _totals(self) -> dict[str, Any]:
        entries = list(self.record.entries())
        discarded = [entry.body for entry in entries if entry.kind == "discarded"]
        return {
            "entries": len(entries),
            "recordings": sum(1 for entry in entries if entry.body.get("audio") and entry.kind in UTTERANCES),
            "discarded": {  # over the last words, too
                "utterances": sum(body["utterances"] for body in discarded) + len(self._discarded),
                "seconds": round(sum(body["seconds"] for body in discarded) + sum(self._discarded), 1),
            },
        }

    def _listen(self, question: Question, quiet_s: float, by_s: float | None = None) -> Utterance | float | None:
        """As `Ears.listen`; 0 at once where somebody cut in over what was said of a device."""
        expected = self._expecting[question]
        can_grow = partial(self.dialogue.language.can_grow, question=question)
        before = len(self._mouth.heard)
        while True:
            try:
                got = self._ears.listen(expected, can_grow, quiet_s, by_s)
            except MicrophoneLost as lost:
                if self._route is None:
                    raise
                self._wait_for_devices(self._route, "microphone lost", str(lost))
                if len(self._mouth.heard) > before or not self._mouth.tell(stretches(self.state.said)):
                    return 0.0
                continue
            if problem := self._ears.helper_lost:
                self._ears.helper_lost = ""
                self.device("helper microphone lost", problem=problem)
                if not self.state.counts_marks and self._route:
                    self._mouth.tell([Say(HELPER_LOST, "alarm")])
            if isinstance(got, Utterance) and got.gaps:
                self.device("sound lost", gaps=got.gaps, stream_from_s=got.start_s)
                if not self._urgent_command(got):  # a reading with a hole in it is no reading
                    return replace(got, heard=Heard(""))
            return got

    def _wait_for_devices(self, route: Route, what: str, problem: str) -> None:
        """Says that a device is gone, holds until all are there again, and says so; or until somebody cuts in."""
        before = len(self._mouth.heard)
        self.device(what, problem=problem)
        if len(self._mouth.heard) > before:  # the record could not be written for a while
            return
        gone_s = self._mouth.wait_for_devices()
        if gone_s is not None:
            self.device("devices back", seconds=round(gone_s, 1), **route.facts)
            self._mouth.tell([DEVICE_BACK])

    def _keep(self, utterance: Utterance, question: Question) -> tuple[Said, dict[str, Any]]:
        """Writes the utterance's recording, if it is one that is kept; the entry that names it follows."""
        language, heard = self.dialogue.language, utterance.heard
        more: dict[str, Any] = {
            "stream_from_s": utterance.start_s,
            "stream_to_s": self._ears.now_s,
            "decode_s": round(utterance.decode_s, 3),
            "question": question.name,
            "engine": self._ears.recognizer.name,
            "grammar_sha256": self.setting.grammar_sha256,
            **({"microphone": utterance.microphone} if utterance.microphone else {}),
        }
        if not keeps(self.state.phase, language.understand(heard.text, question)):
            self._let_go(utterance)
            return Said(redacted(heard), utterance.first_word_s), more
        name = f"{self._next_number():04d}.flac"
        path = self._audio / name
        self._written(lambda: write_flac(path, utterance.audio))
        self._named.add(name)
        more["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
        repaired = " ".join(normalise(heard.text))
        if repaired != heard.text:
            more["repaired"] = repaired
        considered = language.why(heard.text, question, self.state.refused)
        if considered:
            more["considered"] = [
                {"value": value_text(c.value), "unit": c.unit, "how": c.how, "gone": c.gone} for c in considered
            ]
        return Said(heard, utterance.first_word_s, name), more

    def _next_number(self) -> int:
        return 1 + max((int(name.split(".")[0]) for name in self._named if name), default=0)

    def _do(self, event: Event, more: dict[str, Any] | None = None) -> None:
        """One event and whatever follows from voicing what it makes; whoever cuts in is the next event."""
        extra = more or {}
        while True:
            state, effects = self.dialogue.step(self.state, event)
            kind = next(kind for kind, of in EVENTS.items() if isinstance(event, of))
            notes = [(effect.kind, effect.body) for effect in effects if isinstance(effect, Note)]
            entries = [(kind, {**msgspec.to_builtins(event), **extra}), *notes]
            if self._discarded:
                lost = {"utterances": len(self._discarded), "seconds": round(sum(self._discarded), 1)}
                entries.append(("discarded", lost))
            self._written(partial(self.record.append, entries))
            self._discarded.clear()
            self.state = state
            self._show(event, effects)
            says = stretches([effect for effect in effects if isinstance(effect, Say)])
            signal = _signal(event, effects)
            if not (says or self._mouth.heard):
                self._sound_signal(signal)
                return
            event, extra = self._speak(says, signal)
            if self._mouth.heard:
                event, extra = self._cut_in(extra)

    def _cut_in(self, spoken: Mapping[str, Any] | None = None) -> tuple[Said, dict[str, Any]]:
        """Who cut in, as the event that it is. spoken: what was played until then, for the record."""
        by = self._mouth.heard.popleft()
        event, more = self._keep(by.utterance, BETWEEN)
        over = {"interrupted": by.over, "cut_at_s": by.cut_at_s} if by.over else {}
        return event, {**more, **(spoken if spoken and spoken["played"] else {}), **over}

    def _written(self, write: Callable[[], T]) -> T:
        """Writes; where that cannot be done, says so aloud and holds the visit until it can."""
        try:
            return write()
        except NotWritten as full:
            return self._hold(write, full)

    def _hold(self, write: Callable[[], T], full: NotWritten) -> T:
        """Holds the visit until `write` succeeds, which did not. Raises `full` where nobody can make room."""
        if self._sleep is None:
            raise full
        waited_s = 0.0
        while True:
            if waited_s % REMIND_S == 0:
                self._aloud([Say(text, "alarm") for text in NO_ROOM])
            self._wait(self._sleep)
            waited_s += RETRY_S
            try:
                done = write()
            except NotWritten:
                continue
            fact = ("held-for-room", {"seconds": waited_s, "problem": str(full)})
            self._written(partial(self.record.append, [fact]))
            self._mouth.tell([Say(ROOM_AGAIN)])
            return done

    def _wait(self, sleep: Callable[[float], None]) -> None:
        """Waits for room."""
        if not self._can_interrupt:
            sleep(RETRY_S)
            return
        before = len(self._mouth.heard)
        if self._listen_between(RETRY_S) is None:
            sleep(RETRY_S)
        if len(self._mouth.heard) > before:
            self._answer_at_once()

    def _aloud(self, says: Sequence[Say]) -> None:
        """Says what cannot wait for the record, nor can whoever cuts in."""
        if not self._mouth.tell(says):
            self._answer_at_once()

    def _answer_at_once(self) -> None:
        """Answers who cut in last, before it can be recorded; it is an event as soon as there is room."""
        kind = self.dialogue.language.emergency(self._mouth.heard[-1].utterance.heard.text)
        told = wording.ALARMS[kind] if kind else "Stopped. Hands out."
        self._aloud(stretches([Say(each, "alarm") for each in wording.sentences(told)]))

    def _sound(self, say: Say) -> Audio:
        """A text as sound, at the pace and volume that were asked for; a call and an alarm are louder."""
        if ready := self._ready.get(say.text):
            return ready
        self._voice.rate_wpm = round(PACE_WPM * PACE_STEP**self.state.pace)
        sound = self._voice.render(say.text)
        quieter_db = USUAL_DB + STEP_DB * self.state.volume
        if say.manner == "call":
            quieter_db += STEP_DB * self.state.silences
        return louder(sound, 0.0 if say.manner == "alarm" else min(0.0, quieter_db))

    def _sound_signal(self, name: Earcon | None) -> None:
        """A short sound alone, while listening goes on: it is no speech. People in a recording need none."""
        if name and self._route:
            sound = louder(earcon(name), USUAL_DB + STEP_DB * self.state.volume)
            threading.Thread(target=self._route.tell, args=(sound,), daemon=True).start()

    def _speak(self, says: Sequence[Say], signal: Earcon | None = None) -> tuple[Voiced, dict[str, Any]]:
        """Says the texts one at a time, until somebody cuts in, whom the mouth keeps; what became of them."""
        played: list[dict[str, Any]] = []
        waiting = list(says)
        while waiting and not self._mouth.heard:
            say = waiting.pop(0)
            text = say.text
            try:
                sound = self._sound(say)
                if sound.seconds > LONGEST_S and " " in text:
                    halves = textwrap.wrap(text, len(text) // 2 + 1)
                    waiting = [*(replace(say, text=half) for half in halves), *waiting]
                    continue
                if signal and self._route:
                    gain_db = USUAL_DB + STEP_DB * self.state.volume
                    sound = joined(louder(earcon(signal, sound.rate_hz), gain_db), sound)
                    signal = None
                # Not earlier: it would hold up the first sound of the answer.
                self._expecting.prepare(self.dialogue.question(self.state))
                voiced = self._mouth.play(text, sound)
            except (PlayerError, MicrophoneLost) as lost:
                if self._route is None:
                    return Voiced(complete=False, problem=str(lost)), {"played": played}
                waiting.insert(0, say)
                what = "microphone lost" if isinstance(lost, MicrophoneLost) else "loudspeaker lost"
                alarms = [each for each in waiting if each.manner == "alarm"]
                if not self._mouth.heard and self._mouth.tell(alarms):  # an alarm does not wait for a device
                    self._wait_for_devices(self._route, what, str(lost))
                continue
            except VoiceError as wrong:
                return Voiced(complete=False, problem=str(wrong)), {"played": played}
            played.append({"text": text, "seconds": round(voiced.seconds, 2)})
            if not (voiced.complete or self._mouth.heard):
                return Voiced(complete=False, problem=f"cut off: {text}"), {"played": played}
            if self._can_interrupt and not self._headset and waiting:
                self._listen_between(BETWEEN_S)
        if not self._mouth.heard:
            self._sound_signal("listening")
        return Voiced(complete=not self._mouth.heard), {"played": played}

    def _listen_between(self, seconds: float) -> Utterance | float | None:
        """Between two sentences only stop and the emergency words count; anything else is let go. As `Ears.listen`."""
        got = self._listen(BETWEEN, seconds)
        if isinstance(got, Utterance):
            if self._urgent_command(got):
                self._mouth.heard.append(Interruption(got))
            else:
                self._let_go(got)
        return got

    def _let_go(self, utterance: Utterance) -> None:
        self._discarded.append(utterance.audio.seconds)

    def _urgent_command(self, utterance: Utterance) -> str:
        """The command if it is one that counts at any moment; else nothing."""
        return self.dialogue.language.urgent(utterance.heard.text)
