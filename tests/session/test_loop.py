"""The loop runs any dialogue: one that only counts to two, here."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from doubles import ScriptedPlayer, ScriptedVoice
from scripted_ears import BackAtOnce, NothingDrawn, ScriptedEars

from assistant.dialogue.effects import Note, Say
from assistant.dialogue.events import Clock, Opened, Quiet, Said
from assistant.errors import NotWritten
from assistant.files import library
from assistant.language.meaning import Question
from assistant.session.edges import Edges
from assistant.session.keeping import Keeper
from assistant.session.loop import Loop
from assistant.speech.devices import MicrophoneLost
from assistant.wording import english as wording


@dataclass(frozen=True)
class Count:
    number: int = 0
    said: tuple[Say, ...] = (Say("Say yes."),)
    silences: int = 0
    volume: int = 0
    speed: int = 0
    counts_marks: bool = False


class ToTwo:
    """Counts what is said; tells by itself, once, when 20 seconds are over."""

    language = library().language

    def question(self, state):
        return Question("confirming")

    def grown(self, state, text):
        return False

    def due_s(self, state):
        return 20.0 if state.silences < 1 else None

    def over(self, state):
        return state.number == 2

    def step(self, state, event):
        match event:
            case Opened():
                return state, list(state.said)
            case Said():
                state = replace(state, number=state.number + 1)
                return state, [Note("counted", {"number": state.number}), Say(f"That is {state.number}.")]
            case Clock():
                return replace(state, silences=1), [Say("Twenty seconds.")]
            case Quiet():
                return state, [Say("Nobody spoke.")]
        return state, []


class Log(Keeper):
    """Writes down what it is told; the first `full` times that something is said it has no room."""

    def __init__(self, events, full=0):
        self.events, self._full = events, full

    def write(self, event, effects, more):
        if isinstance(event, Said) and self._full:
            self._full -= 1
            raise NotWritten("There is no room.")
        self.events.append(type(event).__name__)

    def fact(self, kind, body):
        self.events.append(f"{kind} {body.get('what', '')}".strip())

    def end(self):
        self.events.append("end")


@pytest.fixture
def run(monkeypatch):
    """Runs the dialogue with what people say; what was written and said, in its order."""
    monkeypatch.setattr("assistant.session.loop.Expecting", NothingDrawn)

    def work(*sayings, full=0, **more):
        happened, waiting = [], list(sayings)

        class Telling(ScriptedVoice):
            def render(self, text, rate_wpm=165):
                happened.append(text)
                return super().render(text)

        def say():
            said = waiting.pop(0) if waiting else None
            if isinstance(said, Exception):
                raise said
            return said

        edges = Edges(ScriptedEars(say), Telling(), ScriptedPlayer(), lambda *_: None, **more)
        loop = Loop(ToTwo(), Count(), edges, Log(happened, full))
        return loop.work(Opened()), happened

    return work


OPENED = ["Opened", "Say yes.", "Voiced"]


def test_what_is_written_comes_before_what_is_said(run):
    counted = ["Said", "That is 1.", "Voiced", "Said", "That is 2.", "Voiced"]
    assert run("yes", "yes") == (True, [*OPENED, *counted, "end"])


def test_at_the_end_of_the_sound_it_is_not_over(run):
    assert run("yes") == (False, [*OPENED, "Said", "That is 1.", "Voiced"])


def test_silence_and_the_clock_are_events(run):
    closed, happened = run(21.0, 30.0, "yes", "yes")
    assert closed
    assert happened[3:9] == ["Clock", "Twenty seconds.", "Voiced", "Quiet", "Nobody spoke.", "Voiced"]


def test_without_room_it_says_so_and_goes_on_once_there_is_some(run):
    waits = []
    closed, happened = run("yes", "yes", full=2, sleep=waits.append)
    assert closed
    assert len(waits) == 2
    assert happened[3:9] == [*wording.NO_ROOM, "Said", "held-for-room", wording.ROOM_AGAIN]
    with pytest.raises(NotWritten):
        run("yes", "yes", full=1)


def test_a_microphone_that_is_lost_is_waited_for_and_what_is_asked_is_said_again(run):
    closed, happened = run(MicrophoneLost("It is gone."), "yes", "yes", route=BackAtOnce(), can_interrupt=False)
    assert closed
    assert happened[3] == "device microphone lost"
    assert happened[6:9] == ["device devices back", "The sound is back.", "Say yes."]
