"""The loop of a session: it listens, keeps what is said, records, and speaks, for whatever dialogue it is given.

The wait for the start and the set-up (`before`) and the visit are dialogues that it runs. What an event makes is
committed before any of it is said. The state is never stored: a visit's is the fold of its recorded events.
"""

from __future__ import annotations

import textwrap
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, Generic, Protocol, TypeVar

from assistant.dialogue.effects import Effect, Say, notes_of, says_of
from assistant.dialogue.events import Clock, Event, Opened, Quiet, Said, Voiced
from assistant.errors import NotWritten
from assistant.language.heard import Heard
from assistant.language.meaning import Question
from assistant.language.spoken import spoken_characters
from assistant.language.utterance import Language
from assistant.session.edges import Edges
from assistant.session.expecting import Expecting
from assistant.session.keeping import Keeper
from assistant.session.mouth import BETWEEN, Interruption, Mouth
from assistant.speech.audio import Audio, joined, louder
from assistant.speech.devices import MicrophoneLost
from assistant.speech.earcons import Earcon, earcon
from assistant.speech.ears import Utterance
from assistant.speech.player import PlayerError
from assistant.speech.route import Route
from assistant.speech.voice import RATE_WPM, VoiceError
from assistant.wording import english as wording

BETWEEN_S = 0.6  # how long it listens between two sentences of its own, where people can interrupt
LONGEST_S = 5.0  # of its own voice at a stretch (decision 6): a text that takes longer is cut in two
LONGEST_TEXT = 62  # characters that mostly take less than that: sentences are said at 14 a second (measured)

PACE_STEP = 1.15  # by which "faster" and "slower" change the voice's words a minute
USUAL_DB = -6.0  # below the voice's full loudness, so that there is something left for "louder" and for a call
STEP_DB = 3.0  # a plainly audible step

RETRY_S = 5.0  # between two tries to write what did not fit on the disk
REMIND_S = 60.0  # how often a person is told that the disk is full

# What the short sound "refused" goes before.
REFUSALS = ("unclear", "refused", "not-opened", "marks-dropped", "stopwatch-refused")

T = TypeVar("T")


class _State(Protocol):
    """What the loop looks at in the state of a dialogue."""

    @property
    def said(self) -> Sequence[Say]: ...  # what is said again once a device that was lost is back

    @property
    def silences(self) -> int: ...  # how often in a row nobody said anything: a call is so much louder

    @property
    def volume(self) -> int: ...  # steps louder than at the start

    @property
    def speed(self) -> int: ...  # steps faster than at the start

    @property
    def counts_marks(self) -> bool: ...  # nothing may be said now, since people count their marks


S = TypeVar("S", bound=_State)


class Dialogue(Protocol[S]):
    """What the loop runs: pure, from a state and an event to a state and effects."""

    @property
    def language(self) -> Language:
        """What can be said."""

    def question(self, state: S) -> Question:
        """What is asked: it decides which words are heard."""

    def grown(self, state: S, text: str) -> bool | None:
        """Whether a text is an answer that can grow (True), that cannot (False), or none yet (None)."""

    def step(self, state: S, event: Event) -> tuple[S, list[Effect]]:
        """What an event makes of the state, and what is to be done."""

    def due_s(self, state: S) -> float | None:
        """When it has something to tell by itself, on the stream's clock; None where nothing."""

    def over(self, state: S) -> bool:
        """Whether it has come to its end."""


def stretches(effects: Sequence[Effect]) -> list[Say]:
    """What to voice at a time: no text so long that nobody could interrupt for five seconds."""
    return [replace(say, text=part) for say in says_of(effects) for part in textwrap.wrap(say.text, LONGEST_TEXT)]


def _signal(event: Event, effects: Sequence[Effect]) -> Earcon | None:
    """The short sound before an answer: a warning, a refusal; or alone, that something was heard."""
    says = says_of(effects)
    if any(say.manner in ("hazard", "alarm") for say in says):
        return "hazard"
    if any(kind in REFUSALS for kind, _ in notes_of(effects)):
        return "refused"
    return "heard" if isinstance(event, Said) and not says else None


class Loop(Generic[S]):
    """Runs a dialogue from a state until it is over, or until its source of sound ends."""

    def __init__(self, dialogue: Dialogue[S], state: S, edges: Edges, keeper: Keeper[S]) -> None:
        self.state = state
        self.dialogue, self.edges, self._keeper = dialogue, edges, keeper
        self._ears = edges.ears
        self._expecting = Expecting(dialogue.language)
        self._mouth = Mouth(edges, self._expecting, self._sound, keeper.let_go)
        self._first: list[Say] = []  # what is said before all else
        self._ready: dict[str, Audio] = {}  # what is said when nothing can be written, made beforehand

    def work(self, opened: Opened, more: Mapping[str, Any] | None = None) -> bool:
        """Works the dialogue; whether it came to its end. more: what the entry of its opening holds besides."""
        self._do(opened, more)
        silent_s = 0.0
        while True:
            if self._mouth.heard:
                silent_s = 0.0
                self._do(*self._cut_in())
                continue
            if self.dialogue.over(self.state):
                if self._end():
                    return True
                continue
            question = self.dialogue.question(self.state)
            due_s = self.dialogue.due_s(self.state)
            got = self._listen(question, self.edges.quiet_s - silent_s, due_s)
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

    def device(self, what: str, **more: Any) -> None:
        """Records what happened to a device: "microphone lost", "headset back"."""
        self._written(lambda: self._keeper.fact("device", {"what": what, **more}))

    def _end(self) -> bool:
        """Says the last words, then writes the end, after which nothing can be recorded; whether it is written.

        Not yet, where somebody cut in (that is an event like any other), a device was lost meanwhile, or there was no
        room for it: then the record has another head, which is said. So the head that was said is that before the end.
        """
        if head := self._keeper.head:
            self._speak([Say(wording.HEAD.format(characters=spoken_characters(head[:8])))])
            if self.edges.can_interrupt and not self._mouth.heard:
                self._listen_between(BETWEEN_S)
        if self._mouth.heard or self._keeper.head != head:
            return False
        try:
            self._keeper.end()
        except NotWritten as full:
            self._hold(lambda: None, full)
            return False
        return True

    # --- listening

    def _listen(self, question: Question, quiet_s: float, by_s: float | None = None) -> Utterance | float | None:
        """As `Ears.listen`; 0 at once where somebody cut in over what was said of a device."""
        expected = self._expecting[question]
        grown = partial(self.dialogue.grown, self.state)
        if question is BETWEEN:
            grown = partial(self.dialogue.language.can_grow, question=BETWEEN)
        before = len(self._mouth.heard)
        while True:
            try:
                got = self._ears.listen(expected, grown, quiet_s, by_s)
            except MicrophoneLost as lost:
                if self.edges.route is None:
                    raise
                self._wait_for_devices(self.edges.route, "microphone lost", str(lost))
                if len(self._mouth.heard) > before or not self._mouth.tell(stretches(self.state.said)):
                    return 0.0
                continue
            for what, more in self.edges.route.notices() if self.edges.route else ():
                self.device(what, **more)
            if problem := self._ears.helper_lost:
                self._ears.helper_lost = ""
                self.device("helper microphone lost", problem=problem)
                if not self.state.counts_marks and self.edges.route:
                    self._mouth.tell([Say(wording.HELPER_LOST, "alarm")])
            if isinstance(got, Utterance) and got.gaps:
                self.device("sound lost", gaps=got.gaps, stream_from_s=got.start_s)
                if not self._urgent_command(got):  # a reading with a hole in it is no reading
                    return replace(got, heard=Heard(""))
            return got

    def _listen_between(self, seconds: float) -> Utterance | float | None:
        """Between two sentences only stop and the emergency words count; anything else is let go. As `Ears.listen`."""
        got = self._listen(BETWEEN, seconds)
        if isinstance(got, Utterance):
            if self._urgent_command(got):
                self._mouth.heard.append(Interruption(got))
            else:
                self._keeper.let_go(got)
        return got

    def _urgent_command(self, utterance: Utterance) -> str:
        """The command if it is one that counts at any moment; else nothing."""
        return self.dialogue.language.urgent(utterance.heard.text)

    def _wait_for_devices(self, route: Route, what: str, problem: str) -> None:
        """Says that a device is gone, holds until all are there again, and says so; or until somebody cuts in."""
        before = len(self._mouth.heard)
        self.device(what, problem=problem)
        if len(self._mouth.heard) > before:  # the record could not be written for a while
            return
        gone_s = self._mouth.wait_for_devices()
        if gone_s is not None:
            self.device("devices back", seconds=round(gone_s, 1), **route.facts)
            self._mouth.tell([Say(wording.DEVICE_BACK, "alarm")])

    # --- events

    def _keep(self, utterance: Utterance, question: Question) -> tuple[Said, dict[str, Any]]:
        """What was said, as the event that it is; its entry follows."""
        event, more = self._written(partial(self._keeper.keep, utterance, question, self.state))
        heard_by = {"microphone": utterance.microphone} if utterance.microphone else {}
        return event, {
            "stream_from_s": utterance.start_s,
            "stream_to_s": self._ears.now_s,
            "question": question.name,
            "engine": self._ears.recognizer.name,
            **heard_by,
            **more,
        }

    def _cut_in(self, spoken: Mapping[str, Any] | None = None) -> tuple[Said, dict[str, Any]]:
        """Who cut in, as the event that it is. spoken: what was played until then, for the record."""
        by = self._mouth.heard.popleft()
        event, more = self._keep(by.utterance, BETWEEN)
        over = {"interrupted": by.over, "cut_at_s": by.cut_at_s} if by.over else {}
        return event, {**more, **(spoken if spoken and spoken["played"] else {}), **over}

    def _do(self, event: Event, more: Mapping[str, Any] | None = None) -> None:
        """One event and whatever follows from voicing what it makes; whoever cuts in is the next event."""
        extra = more or {}
        while True:
            state, effects = self.dialogue.step(self.state, event)
            self._written(partial(self._keeper.write, event, effects, extra))
            self.state = state
            self.edges.show(event, effects)
            says = stretches([*self._first, *effects])
            self._first = []
            signal = _signal(event, effects)
            if not (says or self._mouth.heard):
                self._sound_signal(signal)
                return
            event, extra = self._speak(says, signal)
            if self._mouth.heard:
                event, extra = self._cut_in(extra)

    # --- no room

    def _written(self, write: Callable[[], T]) -> T:
        """Writes; where that cannot be done, says so aloud and holds the visit until it can."""
        try:
            return write()
        except NotWritten as full:
            return self._hold(write, full)

    def _hold(self, write: Callable[[], T], full: NotWritten) -> T:
        """Holds the visit until `write` succeeds, which did not. Raises `full` where nobody can make room."""
        if self.edges.sleep is None:
            raise full
        waited_s = 0.0
        while True:
            if waited_s % REMIND_S == 0:
                self._aloud([Say(text, "alarm") for text in wording.NO_ROOM])
            self._wait(self.edges.sleep)
            waited_s += RETRY_S
            try:
                done = write()
            except NotWritten:
                continue
            held = {"seconds": waited_s, "problem": str(full)}
            self._written(partial(self._keeper.fact, "held-for-room", held))
            self._mouth.tell([Say(wording.ROOM_AGAIN)])
            return done

    def _wait(self, sleep: Callable[[float], None]) -> None:
        """Waits for room."""
        if not self.edges.can_interrupt:
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
        told = wording.ALARMS[kind] if kind else wording.STOPPED_NOW
        self._aloud(stretches([Say(each, "alarm") for each in wording.sentences(told)]))

    # --- speaking

    def _sound(self, say: Say) -> Audio:
        """A text as sound, at the pace and volume that were asked for; a call and an alarm are louder."""
        if ready := self._ready.get(say.text):
            return ready
        sound = self.edges.voice.render(say.text, round(RATE_WPM * PACE_STEP**self.state.speed))
        quieter_db = USUAL_DB + STEP_DB * self.state.volume
        if say.manner == "call":
            quieter_db += STEP_DB * self.state.silences
        return louder(sound, 0.0 if say.manner == "alarm" else min(0.0, quieter_db))

    def _earcon(self, name: Earcon, rate_hz: int = 22_050) -> Audio:
        return louder(earcon(name, rate_hz), USUAL_DB + STEP_DB * self.state.volume)

    def _sound_signal(self, name: Earcon | None) -> None:
        """A short sound alone, while listening goes on: it is no speech. People in a recording need none."""
        if name and self.edges.route and self.edges.signals:
            threading.Thread(target=self.edges.route.tell, args=(self._earcon(name),), daemon=True).start()

    def _speak(self, says: Sequence[Say], signal: Earcon | None = None) -> tuple[Voiced, dict[str, Any]]:
        """Says the texts one at a time, until somebody cuts in, whom the mouth keeps; what became of them."""
        route = self.edges.route
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
                if signal and route and self.edges.signals:
                    sound = joined(self._earcon(signal, sound.rate_hz), sound)
                    signal = None
                # Not earlier: it would hold up the first sound of the answer.
                self._expecting.prepare(self.dialogue.question(self.state))
                voiced = self._mouth.play(text, sound)
            except (PlayerError, MicrophoneLost) as lost:
                if route is None:
                    return Voiced(complete=False, problem=str(lost)), {"played": played}
                waiting.insert(0, say)
                what = "microphone lost" if isinstance(lost, MicrophoneLost) else "loudspeaker lost"
                alarms = [each for each in waiting if each.manner == "alarm"]
                if not self._mouth.heard and self._mouth.tell(alarms):  # an alarm does not wait for a device
                    self._wait_for_devices(route, what, str(lost))
                continue
            except VoiceError as wrong:
                return Voiced(complete=False, problem=str(wrong)), {"played": played}
            played.append({"text": text, "seconds": round(voiced.seconds, 2)})
            if not (voiced.complete or self._mouth.heard):
                return Voiced(complete=False, problem=f"cut off: {text}"), {"played": played}
            if self.edges.can_interrupt and not self.edges.headset and waiting:
                self._listen_between(BETWEEN_S)
        if not self._mouth.heard:
            self._sound_signal("listening")
        return Voiced(complete=not self._mouth.heard), {"played": played}
