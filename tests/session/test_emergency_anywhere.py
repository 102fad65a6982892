"""On a headset an emergency counts over whatever the assistant says, from a visit's first words to its last.

A short visit is worked once for each of its sentences, and for its beginning, middle and end: somebody cries out
there. Devices that are lost, and a full disk, have visits of their own.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import numpy as np
import pytest
from doubles import TestClock
from scripted_ears import RATE_HZ, ScriptedEars
from scripted_visits import demo_job

from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Phase
from assistant.errors import NotWritten, Problem
from assistant.files import library
from assistant.record.chain import verify_head
from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.record.setting import Setting
from assistant.session.edges import Edges
from assistant.session.keeping import InMemory
from assistant.session.session import Begin, before
from assistant.session.visit import Visit
from assistant.speech.audio import Audio
from assistant.speech.devices import MicrophoneLost
from assistant.speech.ears import Utterance
from assistant.speech.player import Played, PlayerError

CRY = "i smell gas"
ALARM = [
    "Leave now.",
    "Get everybody out.",
    "Touch no switch, no phone, no flame.",
    "Leave this device where it is.",
    "Call the gas supplier from well outside.",
]
PLACES = ("beginning", "middle", "end")
"""Of a sentence. At its end: the words are known only when it is over."""
TOO_LONG_S = 20.0  # for a voice that is heard to be cut off; only then is something wrong


class Room:
    """The voice, the loudspeaker, the microphone and the devices, and somebody who cries out over a sentence.

    over: the sentence, and which time that it is said. A cry that nobody listened for waits in the microphone, until
    the assistant says that it spoke meanwhile. sayings: what is said where it listens, in turn: words, seconds of
    silence, an error, or something that happens first.
    """

    facts: dict[str, object] = {"microphone": "double"}  # noqa: RUF012 - a double

    def __init__(self, sayings: Sequence[object], over: tuple[str, int] = ("", 0), place: str = "") -> None:
        self.over, self.place = over, place
        self.played: list[str] = []
        self.cried = False
        self.loses = ""  # the sentence over which the loudspeaker is lost
        self.lost = False  # until the devices are looked for
        self.ears = RoomEars(self)
        self._sayings = list(sayings)
        self._texts: list[str] = []
        self._talking, self._stopped = threading.Event(), threading.Event()
        self._visits = threading.current_thread()
        self.waiting = False  # the cry is in the microphone, and nobody has listened to it
        while self._sayings and callable(self._sayings[0]):  # before the first word
            self._sayings.pop(0)(self)

    def say(self) -> str | float | None:
        """What is said now; nothing more once somebody cried out."""
        while self._sayings and not self.cried:
            said = self._sayings.pop(0)
            if isinstance(said, Exception):
                raise said
            if not callable(said):
                return said  # type: ignore[return-value]
            said(self)
        return None

    # the voice: every text has a length of its own

    def render(self, text: str, rate_wpm: int = 165) -> Audio:
        if text not in self._texts:
            self._texts.append(text)
        return Audio(np.full(1000 + self._texts.index(text), 2000, np.int16), RATE_HZ)

    def _text(self, sound: Audio) -> str:
        """The text of a sound, which may follow a signal; empty for a signal alone."""
        other = np.flatnonzero(sound.samples != sound.samples[-1])
        number = len(sound.samples) - (int(other[-1]) + 1 if len(other) else 0) - 1000
        return self._texts[number] if number >= 0 else ""

    # the loudspeaker

    def play(self, sound: Audio) -> Played:
        if self.loses and self._text(sound).startswith(self.loses):
            self.loses, self.lost = "", True
        if self.lost:
            raise PlayerError("The loudspeaker is gone.")
        return self._voiced(sound)

    def tell(self, sound: Audio) -> bool:
        return not self._text(sound) or self._voiced(sound).complete

    def _voiced(self, sound: Audio) -> Played:
        text, total = self._text(sound), len(sound.samples)
        self.played.append(text)
        sentence, time_said = self.over
        said = sum(played.startswith(sentence) for played in self.played)
        if self.cried or not text.startswith(sentence) or said != time_said:
            return Played(total, total, RATE_HZ)
        self.cried = True
        self.before = len(self.played)
        if self.place == "end" or threading.current_thread() is self._visits:  # which then does not listen
            self.waiting = True
            return Played(total, total, RATE_HZ)
        self._talking.set()
        assert self._stopped.wait(TOO_LONG_S)
        return Played(0 if self.place == "beginning" else total // 2, total, RATE_HZ)

    def stop(self) -> None:
        self._stopped.set()

    def notices(self) -> tuple[()]:
        return ()

    def recover(self) -> bool:
        self.lost = False
        return True

    # the microphone, while the voice is played

    def cry_over(self, over: Callable[[], bool]) -> bool:
        while not over():
            if self._talking.is_set():
                self._talking.clear()
                return True
            time.sleep(0.0005)
        waited, self.waiting = self.waiting, False
        return waited


class RoomEars(ScriptedEars):
    """Hears who cries out, as a microphone of a headset does: over the voice, and what is still in it after that."""

    def __init__(self, room: Room) -> None:
        super().__init__(room.say, TestClock())
        self.room = room
        self._spoke = False

    def spoke(self) -> None:
        self._spoke = True

    def restart(self, gone_s: float) -> None:
        self.room.waiting = False

    def listen(self, expected: object, grown: object, quiet_s: float, by_s: float | None = None) -> Any:
        self._begin()
        if self.room.waiting:
            self.room.waiting = False
            return self._cry()
        return super().listen(expected, grown, quiet_s, by_s)

    def overhear(
        self,
        expected: object,
        counts: Callable[[str], bool],
        over: Callable[[], bool],
        cut: Callable[[], None],
        passed: object,
    ) -> Utterance | None:
        self._begin()
        if not self.room.cry_over(over):
            return None
        assert counts(CRY)
        cut()
        return self._cry()

    def _begin(self) -> None:
        if self._spoke:
            self.room.waiting = False
        self._spoke = False

    def _cry(self) -> Utterance:
        said, self._say = self._say, lambda: CRY
        heard = super().listen(None, None, 0.0)
        self._say = said
        assert isinstance(heard, Utterance)
        return heard


@cache
def short_visit() -> Setting:
    """The first steps of the demo's visit, with a reading, a check and a danger; then the end."""
    rules = library().rules_for(demo_job())
    steps = tuple(step for step in rules.procedure.steps if step.id in ("arrival-air", "air-out", "odour", "isolate"))
    procedure = rules.procedure.model_copy(update={"steps": steps, "repairs": {}})
    return Setting(replace(rules, procedure=procedure), library().grammar_texts, "scripted", "scripted")


@cache
def dialogue() -> Dialogue:
    return short_visit().dialogue()


@pytest.fixture(autouse=True)
def _in_no_time(monkeypatch):
    """Nothing is recognized here, so that no recognizer need be told anything; and the rules are read once."""
    monkeypatch.setattr("assistant.language.phrases.phrases", lambda language, question: [])
    monkeypatch.setattr("assistant.record.setting.setting_in", lambda entries, name: short_visit())
    of_visit = dialogue()
    monkeypatch.setattr(Setting, "dialogue", lambda setting: of_visit)


def edges(room: Room) -> Edges:
    return Edges(  # type: ignore[arg-type]
        room.ears, room, room, lambda *_: None, route=room, can_interrupt=True, headset=True, sleep=lambda _: None
    )


def work(path: Path, room: Room, full: str = "") -> Visit:
    """The visit in a room, to its end or until somebody cried out. full: before this entry there is no room, twice."""
    record = Record.create(path, TestClock())
    record.append([("visit", {})])
    visit = Visit(record, edges(room))
    append, left = record.append, [2]

    def written(entries: Sequence[tuple[str, Any]]) -> Any:
        if left[0] and any(kind == full for kind, _ in entries):
            left[0] -= 1
            raise NotWritten("The record could not be written (disk full).")
        return append(entries)

    record.append = written  # type: ignore[method-assign]
    visit.run()
    record.close()
    return visit


def loudspeaker_lost_over(sentence: str) -> Callable[[Room], None]:
    return lambda room: setattr(room, "loses", sentence)


def helper_lost(room: Room) -> None:
    room.ears.helper_lost = "The helper's microphone is gone."


READ = ("three parts per million", "yes")
DONE = ("understood", "done", "yes", "yes", "yes")
NO_ROOM = ["The record cannot be written.", "Nothing recorded is lost. The visit holds.", "Free some space."]
ROOM_AGAIN = "The record is written again."
LOST = ["The sound device is gone. The visit holds.", "Plug it in again."]
BACK = "The sound is back."
HEAD = "The record's head begins with"
STAY_OUT = ["The visit is stopped.", "Stay out.", "Somebody with a name must say area clear."]

# What happens -> what is said in turn, the entry for which there is no room, and what the assistant says of it.
VISITS: dict[str, tuple[tuple[object, ...], str, list[str]]] = {
    "nothing": (
        (*READ, "no", "yes", 30.0, 30.0, 30.0, *DONE, "pat moe"),
        "",
        [
            *("I advise and record.", "I give no permission."),
            *("The maker's instructions and the local code come first.", "Wear a personal C O meter."),
            *("Read the air at the door and again at the furnace.", "Read the ambient C O."),
            *("I heard three parts per million.", "Is that right?", "Taken.", "Pass, generic limit."),
            *("If you smell any gas, touch nothing.", "Leave, and call from outside."),
            *("Do you smell any gas?", "Say yes or no.", "I heard no, for smell check.", "Is that right?"),
            *("Lock and tag the switch or breaker.", "Keep the key."),
            *("Switched off is not yet proved dead.", "Say understood.", "Are you there?", "Say understood."),
            *("Are you there?", "Say understood.", "Nobody answers.", "Somebody look for the technician now."),
            *("Turn the power off, lock it and tag it.", "Say done.", "That is the last step."),
            *("No reading is out of its limit, and nothing was left out.", "Does the appliance stay on?"),
            *("That is your decision, not mine.", "I heard that it stays on, with all that was found."),
            *("Is that your decision?", "I ask once more.", "It stays on by your decision.", "Is that right?"),
            *("Who was told what was found?", "Say the name, or say no for nobody.", "Recorded."),
            *("It stays on by your decision.", "I give no permission.", HEAD),
        ],
    ),
    "an emergency": ((CRY, 30.0), "", [*ALARM, "I am listening.", *STAY_OUT]),
    "no room for a reading": ((*READ, 5.0, 5.0, "no", "yes", *DONE, "pat moe"), "reading", [*NO_ROOM, ROOM_AGAIN]),
    "no room for the end": (
        (*READ, "no", "yes", *DONE, "pat moe", 0.6, 5.0, 0.6, 5.0),
        "end",
        [HEAD, *NO_ROOM, ROOM_AGAIN, HEAD],
    ),
    "the loudspeaker is lost": (
        (*READ, loudspeaker_lost_over("Lock and tag"), "no", "yes", *DONE, "pat moe"),
        "",
        [*LOST, BACK, "Lock and tag the switch or breaker."],
    ),
    "the loudspeaker is lost at the end": (
        (*READ, "no", "yes", *DONE, loudspeaker_lost_over(HEAD), "pat moe"),
        "",
        [*LOST, BACK, HEAD],
    ),
    # While it is lost nobody can be heard.
    "the microphone is lost": ((*READ, MicrophoneLost("It is gone."), "no", "yes", *DONE, "pat moe"), "", [BACK]),
    "the helper's microphone is lost": (
        (*READ, helper_lost, "no", "yes", *DONE, "pat moe"),
        "",
        ["The helper's microphone is gone. I hear the other one."],
    ),
}


def cries_over(visits: Mapping[str, Sequence[str]]) -> list[Any]:
    """A cry over each sentence of each visit, at each place in it."""
    return [
        pytest.param(name, (text, 1 + list(texts[:at]).count(text)), place, id=f"{name}: {at + 1}, {text} {place}")
        for name, texts in visits.items()
        for at, text in enumerate(texts)
        for place in PLACES
    ]


@pytest.mark.parametrize("name", VISITS)
def test_every_sentence_that_is_said_is_tried(tmp_path, name):
    sayings, full, texts = VISITS[name]
    room = Room(sayings)
    visit = work(tmp_path / "visit.sqlite", room, full)
    assert visit.state.phase is (Phase.EMERGENCY if CRY in sayings else Phase.CLOSED)
    if name == "nothing":
        assert [HEAD if text.startswith(HEAD) else text for text in room.played] == texts
    plain = tuple(VISITS["nothing"][2])
    others = {text for text in room.played if not text.startswith(plain)}
    assert others - set(texts) == (set(LOST) if name == "the microphone is lost" else set())


@pytest.mark.parametrize(("name", "over", "place"), cries_over({name: texts for name, (_, _, texts) in VISITS.items()}))
def test_an_emergency_over_it_is_recorded_and_answered(tmp_path, name, over, place):
    sayings, full, _ = VISITS[name]
    path, room = tmp_path / "visit.sqlite", Room(sayings, over, place)
    visit = work(path, room, full)
    assert room.cried
    assert visit.state.phase is Phase.EMERGENCY
    with Record.open(path, read_only=True) as record:
        assert record.verify() == []
        entries = list(record.entries())
        assert all(turn.same for turn in turns(record))
    cries = [entry.body for entry in entries if entry.kind == "emergency"]
    assert [cry["why"] for cry in cries] == [CRY] * (1 + sayings.count(CRY))
    assert cries[-1]["kind"] == "gas"
    assert "end" not in [entry.kind for entry in entries]
    last = [entry.body for entry in entries if entry.kind == "said"][-1]
    assert last["interrupted"].startswith(over[0])
    said = room.played[room.before :]
    assert any(said[at : at + len(ALARM)] == ALARM for at in range(len(said)))


def test_an_alarm_is_told_on_whatever_loudspeaker_is_left(tmp_path):
    room = Room((*READ, loudspeaker_lost_over(ALARM[1]), CRY))
    work(tmp_path / "visit.sqlite", room)
    assert room.played[-12:] == [ALARM[0], *ALARM[1:], *LOST, BACK, *ALARM[1:]]


def test_the_end_comes_after_the_last_words_and_a_stop_over_them_is_no_reason_to_wait(tmp_path, monkeypatch):
    path, (sayings, _, _) = tmp_path / "visit.sqlite", VISITS["nothing"]
    monkeypatch.setattr(f"{__name__}.CRY", "stop")
    visit = work(path, Room(sayings, ("Recorded.", 1), "middle"))
    assert visit.state.phase is Phase.CLOSED
    with Record.open(path, read_only=True) as record:
        entries = list(record.entries())
        head = next(entry for entry in reversed(entries) if entry.kind != "end").hash
        assert [*record.verify(), *verify_head(list(record.rows()), head[:8])] == []
    assert [entry.kind for entry in entries[-2:]] == ["said", "end"]


# before the visit

KNOWN = {
    "invented": True,
    "site": "site 7 (invented)",
    "technician": {"name": "Sam Doe (invented)"},
    "appliance": {"description": "invented furnace", "ignition": "direct spark"},
    "visit": "safety test",
}
SET_UP = ("natural gas", "yes", "skip", "skip")
WAITS = "Waiting. Say begin the visit."
BEFORE: dict[str, tuple[tuple[object, ...], list[str]]] = {
    "waits": ((), [WAITS]),
    "waits without a loudspeaker": ((loudspeaker_lost_over("Waiting"),), [*LOST, BACK, WAITS]),
    "waits without a microphone": ((MicrophoneLost("It is gone."),), [WAITS, BACK, WAITS]),
    "an emergency": ((CRY,), [*ALARM]),
    "is set up": (
        ("begin the visit", "natural gas", "yes"),
        [
            *(WAITS, "I ask what I do not know.", "Say skip to leave it out.", "Natural gas, or L P?"),
            *("I heard natural gas.", "Is that right?", "Taken.", "Direct spark, natural gas, safety test."),
            *("0 plate values.", "Begin the visit?"),
        ],
    ),
    "is set up without a microphone": (
        ("begin the visit", MicrophoneLost("It is gone."), "natural gas", "yes"),
        [WAITS, BACK, "Natural gas, or L P?"],
    ),
}


def beforehand(room: Room) -> InMemory:
    """What comes before the visit, in a room, until nobody says anything any more."""
    kept = InMemory()
    with pytest.raises(Problem, match="ended before the visit began"):
        before(edges(room), kept, Mock(), True, Begin(KNOWN, ask=True))
    return kept


@pytest.mark.parametrize("name", BEFORE)
def test_every_sentence_before_the_visit_is_tried(name):
    sayings, texts = BEFORE[name]
    room = Room(sayings)
    beforehand(room)
    lost = set(LOST) if "without a microphone" in name else set()
    assert set(room.played) - set(texts) <= lost | {WAITS} | set(BEFORE["is set up"][1])


@pytest.mark.parametrize(("name", "over", "place"), cries_over({name: texts for name, (_, texts) in BEFORE.items()}))
def test_before_the_visit_it_is_answered_and_kept_for_the_record(tmp_path, name, over, place):
    sayings, _ = BEFORE[name]
    room = Room(sayings, over, place)
    kept = beforehand(room)
    assert room.cried
    entries = kept.entries(tmp_path, "grammar")
    cries = [body for kind, body in entries if kind == "emergency"]
    assert cries == [{"why": CRY, "step": "set up", "kind": "gas"}] * (1 + sayings.count(CRY))
    assert [body["heard"]["text"] for kind, body in entries if kind == "set-up" and body["decided"] == "emergency"]
    said = room.played[room.before :]
    assert any(said[at : at + len(ALARM)] == ALARM for at in range(len(said)))
