"""A visit on a headset: stop and the emergency words cut the voice off, and nothing else does."""

from __future__ import annotations

import threading

import pytest
from doubles import TestClock
from scripted_ears import BackAtOnce, ScriptedEars, open_visit

from assistant.dialogue.state import Phase
from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.review.replay import rows
from assistant.review.timeline import moments
from assistant.speech.devices import MicrophoneLost
from assistant.speech.ears import Utterance
from assistant.speech.player import Played


class Held:
    """Plays until it is stopped, where somebody speaks meanwhile; else at once and whole."""

    def __init__(self):
        self.talk = threading.Event()
        self.stopped = threading.Event()

    def play(self, audio):
        total = len(audio.samples)
        if self.talk.is_set():
            assert self.stopped.wait(10)
            return Played(total // 4, total, audio.rate_hz)
        return Played(total, total, audio.rate_hz)

    def stop(self):
        self.stopped.set()


class HeadsetEars(ScriptedEars):
    """Hears `meanwhile`, one a sentence, while the assistant speaks; an exception is raised."""

    def __init__(self, say, clock, player, meanwhile):
        super().__init__(say, clock)
        self.player, self.meanwhile = player, list(meanwhile)

    def overhear(self, expected, counts, over, cut, passed):
        said = self.meanwhile.pop(0) if self.meanwhile else None
        if said is None:
            return None
        if isinstance(said, BaseException):
            raise said
        self._say = lambda: said
        utterance = self.listen(expected, None, 0)
        self._say = lambda: None
        assert isinstance(utterance, Utterance)
        if counts(utterance.heard.text):
            cut()
            return utterance
        passed(utterance)
        return None


def visit_of(path, meanwhile, route=None):
    """A visit in which `meanwhile` is said during the first sentences."""
    clock, player = TestClock(), Held()
    if any(isinstance(said, str) and said in ("stop", "i smell gas") for said in meanwhile[:1]):
        player.talk.set()
    ears = HeadsetEars(lambda: None, clock, player, meanwhile)
    visit = open_visit(
        path, ears._say, clock=clock, player=player, ears=ears, can_interrupt=True, headset=True, route=route
    )
    # What comes after the first interruption is played whole.
    stop = player.stop

    def stop_and_go_on():
        stop()
        player.talk.clear()

    player.stop = stop_and_go_on
    return visit


@pytest.mark.parametrize(("words", "phase"), [("stop", Phase.HOLDING), ("i smell gas", Phase.EMERGENCY)])
def test_stop_and_the_emergency_words_cut_the_voice_off_and_are_in_the_record(tmp_path, words, phase):
    path = tmp_path / "visit.sqlite"
    visit = visit_of(path, [words])
    visit.run()
    visit.record.close()
    assert visit.state.phase is phase
    with Record.open(path, read_only=True) as record:
        entries = list(record.entries())
        assert all(turn.same for turn in turns(record))
        (shown,) = [row for row in rows(record) if row.heard == words]
    (said,) = [entry.body for entry in entries if entry.kind == "said"]
    assert said["heard"]["text"] == words
    assert said["interrupted"] == "I advise and record."
    assert [played["text"] for played in said["played"]] == ["I advise and record."]
    assert said["audio"] == "0001.flac"
    assert shown.decided.startswith("cut off: I advise and record.;")
    began, cut = list(moments(entries))[:2]
    assert began.answered == "I advise and record."
    assert "cut off: I advise and record." in cut.taken
    # None of it counts as voiced.
    assert entries[[e.kind for e in entries].index("said") + 1].kind != "voiced"


def test_a_number_never_interrupts_and_is_only_counted(tmp_path):
    path = tmp_path / "visit.sqlite"
    visit = visit_of(path, ["one twenty volts", "yes", "three parts per million"])
    visit.run()
    visit.record.close()
    with Record.open(path, read_only=True) as record:
        entries = list(record.entries())
    assert not [entry for entry in entries if entry.kind in ("said", "reading", "heard-reading")]
    assert [entry.body["utterances"] for entry in entries if entry.kind == "discarded"] == [3]
    assert next(e.body for e in entries if e.kind == "voiced")["complete"]


def test_a_microphone_that_is_lost_while_it_speaks_is_waited_for_and_the_sentence_said_again(tmp_path):
    path, route = tmp_path / "visit.sqlite", BackAtOnce()
    visit = visit_of(path, [MicrophoneLost("The microphone 'x' gave no sound; plug it in.")], route)
    visit.run()
    visit.record.close()
    with Record.open(path, read_only=True) as record:
        entries = list(record.entries())
    assert [e.body["what"] for e in entries if e.kind == "device"] == ["microphone lost", "devices back"]
    assert next(e.body for e in entries if e.kind == "voiced")["played"][0]["text"] == "I advise and record."


def test_ctrl_c_cuts_the_voice_off(tmp_path):
    visit = visit_of(tmp_path / "visit.sqlite", [KeyboardInterrupt()])
    visit.edges.player.talk.set()  # it would be played until it is stopped
    with pytest.raises(KeyboardInterrupt):
        visit.run()
    visit.record.close()
    assert visit.edges.player.stopped.is_set()
