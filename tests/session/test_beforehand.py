"""Waiting for the spoken start, and the set-up by voice, before there is a record."""

from __future__ import annotations

from dataclasses import replace
from unittest.mock import Mock

import numpy as np
import pytest
from doubles import ScriptedPlayer, ScriptedVoice
from scripted_ears import BackAtOnce, NothingDrawn, ScriptedEars, open_visit

from assistant import cli
from assistant.cli.visit import Terminal
from assistant.errors import Problem
from assistant.record.fold import turns
from assistant.record.record import Record, audio_of
from assistant.record.seal import check
from assistant.record.setting import setting_of
from assistant.record.story import story_of
from assistant.review import replay
from assistant.review.report import page
from assistant.review.timeline import moments
from assistant.session.edges import Edges
from assistant.session.keeping import InMemory
from assistant.session.session import Begin, before, begin, go_on
from assistant.speech.audio import Audio, resample, write_flac
from assistant.speech.devices import MicrophoneLost
from assistant.speech.voice import Voice
from assistant.wording import english as wording
from assistant.wording.english import WAITS

KNOWN = {
    "invented": True,
    "site": "site 7 (invented)",
    "technician": {"name": "Sam Doe (invented)"},
    "appliance": {"description": "invented furnace", "ignition": "direct spark"},
    "visit": "yearly check",
    "plate": {
        "manifold-pressure": {"value": "3.5", "unit": "inH2O"},
        "temperature-rise": {"low": 40, "high": 70, "unit": "delta_degF"},
        "supply-temperature": {"value": 175, "unit": "degF"},
    },
}

JOB = {**KNOWN, "appliance": {**KNOWN["appliance"], "fuel": "natural gas"}}


@pytest.fixture(autouse=True)
def _no_phrases(monkeypatch):
    monkeypatch.setattr("assistant.session.loop.Expecting", NothingDrawn)


def saying(*words):
    """Says these, then nothing more."""
    waiting = list(words)
    return lambda: waiting.pop(0) if waiting else None


class Before:
    """What comes before a visit, as people say it; `rendered` is what the assistant says."""

    def __init__(self, *words, say=None, ears=None, player=None, route=None, voice=None, wait=True, begun=None) -> None:
        self.kept, self.voice = InMemory(), voice or ScriptedVoice()
        ears, player = ears or ScriptedEars(say or saying(*words)), player or ScriptedPlayer()
        edges = Edges(ears, self.voice, player, print, route=route, can_interrupt=route is not None)  # type: ignore[arg-type]
        self.job = before(edges, self.kept, Terminal(), wait, begun)

    @property
    def rendered(self) -> list[str]:
        return self.voice.rendered


def begun(folder, job, kept) -> Record:
    """A record that begins with a job and what was kept before."""
    return begin(Begin(job), job, folder, kept, "scripted", "bundled", [])


def set_up(folder, *words) -> Record:
    """A record begun by what is said in a set-up."""
    before = Before(*words, wait=False, begun=Begin(KNOWN, ask=True))
    return begun(folder, before.job, before.kept)


def test_it_waits_for_the_start_words_and_keeps_nothing_else():
    before = Before("one twenty", 30.0, "yes", 30.0, 30.0, "begin the visit")
    assert before.kept.answers == []
    assert before.kept.discarded == []
    assert before.rendered == [WAITS]


def test_what_is_said_while_it_waits_is_not_shown(capsys):
    Before("my neighbour told me", "begin the visit")
    assert capsys.readouterr().out == f"< {WAITS}\n"


def test_an_emergency_while_it_waits_is_answered_and_it_waits_on():
    before = Before("fire", "start")
    assert " ".join(before.rendered[1:-1]) == wording.ALARMS["fire"]
    assert before.rendered[-1] == WAITS


def test_an_emergency_while_it_waits_is_in_the_record_that_begins_then_or_goes_on(tmp_path):
    with begun(tmp_path, JOB, Before("i smell gas", "start").kept) as record:
        path = record.path
    visit = open_visit(path, saying("two parts per million"))
    visit.run()
    visit.record.close()
    with Record.open(path) as record:
        go_on(record, Before("c o alarm", "start").kept)
    visit = open_visit(path, saying("yes", "no"))
    visit.run()
    visit.record.close()
    with Record.open(path, read_only=True) as record:
        entries = list(record.entries())
        assert all(turn.same for turn in turns(record))
        assert [row.decided for row in replay.rows(record)][:2] == ["start: emergency", "start: emergency"]
    cries = [(entry.body["why"], entry.body["kind"]) for entry in entries if entry.kind == "emergency"]
    assert cries == [("i smell gas", "gas"), ("c o alarm", "carbon monoxide")]
    assert check(path).problems == []
    happened = story_of(entries).emergencies
    assert [each.text for each in happened] == [f"Stopped for an emergency: {why}." for why, _ in cries]
    assert len({each.recording.audio for each in happened}) == 2
    assert [m.heard for m in moments(entries) if m.step == "set up"] == ["i smell gas", "c o alarm"]


def test_in_a_room_it_listens_between_two_sentences():
    before = Before("i smell gas", "gas leak", "twenty", 0.6, 0.6, 0.6, 0.6, "start", route=BackAtOnce())
    alarm = wording.sentences(wording.ALARMS["gas"])
    assert before.rendered == [WAITS, alarm[0], *alarm, WAITS]
    assert [body["heard"]["text"] for _, [(_, body), *_] in before.kept.answers] == ["i smell gas", "gas leak"]


def test_a_recording_that_ends_before_the_start_is_one_sentence():
    with pytest.raises(Problem, match="ended before the visit began"):
        Before("one twenty")


def test_what_is_answered_goes_into_the_first_entries_and_the_visit_goes_on_from_there(tmp_path):
    sayings = ["natural gas", "yes", "[unk] the game", "eighty thousand", "yes"]
    with set_up(tmp_path, *sayings, "skip", "yes") as record:
        path = record.path
        job = setting_of(record).rules.job
        entries = list(record.entries())
    assert (job.appliance.fuel, job.plate["input-rate"].value) == ("natural gas", 80000)
    assert [entry.kind for entry in entries[:5]] == ["visit", *["set-up"] * 4]
    assert len({entry.utc for entry in entries}) == 1  # one transaction
    said = [entry.body for entry in entries if entry.kind == "set-up"]
    assert [(b["asked"], b["decided"], b["heard"]["text"]) for b in said[:4]] == [
        ("fuel", "asked: natural gas", "natural gas"),
        ("fuel", "taken: natural gas", "yes"),
        ("input-rate", "asked: eight, zero, zero, zero, zero B T U per hour", "eighty thousand"),
        ("input-rate", "taken: 80000 Btu_per_hour", "yes"),
    ]
    assert sorted(p.name for p in audio_of(path).iterdir()) == [body["audio"] for body in said]
    assert [entry.body["utterances"] for entry in entries if entry.kind == "discarded"] == [1]
    assert "game" not in str([entry.body for entry in entries[1:]])

    visit = open_visit(path, saying("two parts per million", "yes", "no"))
    visit.run()
    visit.record.close()
    with Record.open(path, read_only=True) as record:
        assert all(turn.same for turn in turns(record))
        assert check(path).problems == []
        audio = [entry.body["audio"] for entry in record.entries() if entry.body.get("sha256")]
        assert len(set(audio)) == len(audio) > len(said)
        assert next(iter(replay.rows(record))).decided == "fuel: asked: natural gas"
        first = next(iter(moments(record.entries())))
        assert (first.step, first.heard, first.recording) == ("set up", "natural gas", "0001.flac")
        shown = page.html(story_of(record.entries()), None, [])
    assert "by voice; left out: " in shown
    assert "heating value" in shown


def test_stopped_in_the_middle_it_leaves_nothing_and_says_so(tmp_path):
    with pytest.raises(Problem, match="nothing of it is recorded; start again, and it asks again"):
        set_up(tmp_path, "natural gas", "yes")
    assert list(tmp_path.iterdir()) == []


def test_after_three_silences_it_waits_for_the_start_words_and_asks_on():
    said = ["begin the visit", 30.0, "natural gas", "yes", "skip", "skip", "yes"]
    before = Before(30.0, 30.0, 30.0, *said, wait=False, begun=Begin(KNOWN, ask=True))
    assert before.job["appliance"]["fuel"] == "natural gas"
    assert before.rendered.count("Natural gas, or L P?") == 5
    assert before.rendered.count(WAITS) == 1
    assert before.rendered.count("I ask what I do not know.") == 1


def test_a_loudspeaker_that_is_lost_is_waited_for_and_the_sentence_said_again():
    route, player = BackAtOnce(), ScriptedPlayer(["lost"])
    before = Before("begin the visit", player=player, route=route)
    assert route.told == 3  # gone, plug it in, back
    assert before.rendered.count(WAITS) == 2
    assert len(player.played) == 1


def test_a_microphone_that_is_lost_while_it_waits_is_waited_for():
    sayings = saying("begin the visit")
    route = BackAtOnce()

    def say():
        if not route.told:
            raise MicrophoneLost("The microphone 'x' gave no sound; plug it in.")
        return sayings()

    before = Before(say=say, route=route)
    assert before.rendered[-2:] == ["The sound is back.", WAITS]


def test_an_answer_with_a_hole_in_its_sound_is_none():
    ears = ScriptedEars(saying("natural gas", "natural gas", "yes", "skip", "skip", "yes"))
    listen, heard = ears.listen, []

    def with_a_hole(*arguments):
        got = listen(*arguments)
        heard.append(got)
        return replace(got, gaps=1) if len(heard) == 1 else got

    ears.listen = with_a_hole
    before = Before(ears=ears, wait=False, begun=Begin(KNOWN, ask=True))
    assert [body["heard"]["text"] for _, [(_, body), *_] in before.kept.answers][:2] == ["natural gas", "yes"]
    assert before.rendered.count("I heard natural gas.") == 1


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        ({"voice": ScriptedVoice(failing=[WAITS])}, "told to fail"),
        ({"player": ScriptedPlayer(["lost"])}, "device was lost"),
        ({"say": Mock(side_effect=MicrophoneLost("The microphone is gone."))}, "microphone is gone"),
    ],
)
def test_what_fails_in_a_recording_ends_it_with_one_sentence(broken, said):
    with pytest.raises(Problem, match=f"{said}.*nothing of it is recorded; start again"):
        Before("begin", **broken)


def test_from_a_recording_it_waits_is_set_up_and_begins(tmp_path, monkeypatch, capsys):
    """Real sound both ways: the bundled voice says the answers, the bundled model hears them."""
    job = tmp_path / "job.yaml"
    job.write_text(
        "site: 7 Sample Row (invented)\ntechnician: {name: Sam Doe (invented)}\n"
        "appliance: {description: invented furnace, ignition: direct spark}\nvisit: yearly check\n"
        "plate: {manifold-pressure: {value: 3.5, unit: inH2O}, temperature-rise: {low: 40, unit: delta_degF}, "
        "supply-temperature: {value: 175, unit: degF}}\n",
        encoding="utf-8",
    )
    sayings = ["begin the visit", "natural gas", "yes", "eighty thousand", "yes", "skip", "yes"]
    with Voice(tmp_path / "cache") as voice:
        sounds = [resample(voice.render(text), 16000).samples for text in sayings]
    pause = np.zeros(24000, np.int16)
    track = np.concatenate([part for sound in sounds for part in (pause, sound)] + [pause])
    write_flac(tmp_path / "people.flac", Audio(track, 16000))
    arguments = ["visit", "--wait", "--set-up", "--job", job, "--from-audio", tmp_path / "people.flac"]
    monkeypatch.setattr("sys.argv", ["assistant", *map(str, arguments), "--folder", str(tmp_path / "visits")])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code in (0, None)
    (path,) = (tmp_path / "visits").glob("*/visit.sqlite")
    with Record.open(path, read_only=True) as record:
        rules = setting_of(record).rules
        heard = [entry.body["heard"]["text"] for entry in record.entries() if entry.kind == "set-up"]
    assert heard[:4] == ["natural gas", "yes", "eighty thousand", "yes"]
    assert rules.job.appliance.fuel == "natural gas"
    assert rules.job.plate["input-rate"].value == 80000
    assert rules.procedure.visit == "yearly check"
