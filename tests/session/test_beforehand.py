"""Waiting for the spoken start, and the set-up by voice, before there is a record."""

from __future__ import annotations

import numpy as np
import pytest
from doubles import ScriptedPlayer, ScriptedVoice
from scripted_ears import BackAtOnce, NothingDrawn, ScriptedEars, open_visit

from assistant import cli
from assistant.cli.visit import Terminal
from assistant.dialogue.setting_up import SettingUp, SetUp
from assistant.errors import Problem
from assistant.files import library
from assistant.record.fold import turns
from assistant.record.record import Record, audio_of
from assistant.record.seal import check
from assistant.record.setting import setting_of
from assistant.review import replay
from assistant.review.report import page
from assistant.review.summary import summarize
from assistant.review.timeline import moments
from assistant.session.beforehand import WAITS, Beforehand
from assistant.session.session import Begin, begin, go_on
from assistant.speech.audio import Audio, resample, write_flac
from assistant.speech.devices import MicrophoneLost
from assistant.speech.voice import ChildVoice, VoiceSettings
from assistant.wording import english as wording

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
    monkeypatch.setattr("assistant.session.beforehand.Expecting", NothingDrawn)


def saying(*words):
    """Says these, then nothing more."""
    waiting = list(words)
    return lambda: waiting.pop(0) if waiting else None


def beforehand(say, player=None, route=None) -> Beforehand:
    return Beforehand(
        library().language,
        ScriptedEars(say),  # type: ignore[arg-type]
        ScriptedVoice(),
        player or ScriptedPlayer(),
        lambda event, effects: None,
        route,
    )


def begun(folder, *words, job=None) -> Record:
    """A record begun by what is said in a set-up."""
    new = Begin(job or KNOWN, ask=True)
    return begin(new, folder, beforehand(saying(*words)), "scripted", VoiceSettings(), [], Terminal())


def test_it_waits_for_the_start_words_and_keeps_nothing_else():
    before = beforehand(saying("one twenty", "yes", "begin the visit"))
    before.wait()
    assert before.answers == []
    assert before.discarded == []
    assert before._voice.rendered == ["Waiting. Say begin the visit."]


def test_an_emergency_while_it_waits_is_answered_and_it_waits_on():
    before = beforehand(saying("fire", "start"))
    before.wait()
    assert " ".join(before._voice.rendered[1:-1]) == wording.ALARMS["fire"]
    assert before._voice.rendered[-1] == "Waiting. Say begin the visit."


def test_an_emergency_while_it_waits_is_in_the_record_that_begins_then_or_goes_on(tmp_path):
    first = beforehand(saying("i smell gas", "start"))
    first.wait()
    with begin(Begin(JOB), tmp_path, first, "scripted", VoiceSettings(), [], Terminal()) as record:
        path = record.path
    visit = open_visit(path, saying("two parts per million"))
    visit.run()
    visit.record.close()
    again = beforehand(saying("c o alarm", "start"))
    again.wait()
    with Record.open(path) as record:
        go_on(record, again)
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
    happened = summarize(entries).emergencies
    assert [each.text for each in happened] == [f"Stopped for an emergency: {why}." for why, _ in cries]
    assert len({each.recording.name for each in happened}) == 2
    assert [m.heard for m in moments(entries) if m.step == "set up"] == ["i smell gas", "c o alarm"]


def test_in_a_room_it_listens_between_two_sentences():
    before = beforehand(saying("i smell gas", "gas leak", "twenty", 0.6, 0.6, 0.6, 0.6, "start"), route=BackAtOnce())
    before.wait()
    alarm = wording.sentences(wording.ALARMS["gas"])
    assert before._voice.rendered == [WAITS, alarm[0], *alarm, WAITS]
    assert [answer.body["heard"]["text"] for answer in before.answers] == ["i smell gas", "gas leak"]


def test_a_recording_that_ends_before_the_start_is_one_sentence():
    with pytest.raises(Problem, match="ended before the visit began"):
        beforehand(saying("one twenty")).wait()


def test_what_is_answered_goes_into_the_first_entries_and_the_visit_goes_on_from_there(tmp_path):
    sayings = ["natural gas", "yes", "[unk] the game", "eighty thousand", "yes"]
    with begun(tmp_path, *sayings, "skip", "yes") as record:
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
        shown = page.html(summarize(record.entries()), None, [])
    assert "by voice; left out: " in shown
    assert "heating value" in shown


def test_stopped_in_the_middle_it_leaves_nothing_and_says_so(tmp_path):
    with pytest.raises(Problem, match="nothing of it is recorded; start again, and it asks again"):
        begun(tmp_path, "natural gas", "yes")
    assert list(tmp_path.iterdir()) == []


def test_after_three_silences_it_waits_for_the_start_words_and_asks_on():
    before = beforehand(saying(30.0, 30.0, 30.0, "begin the visit", "natural gas", "yes", "skip", "skip", "yes"))
    state = SettingUp(KNOWN)
    done = before.set_up(SetUp(library().language, library().quantities, library().worked), state)
    assert done.job["appliance"]["fuel"] == "natural gas"
    said = before._voice.rendered
    assert said.count("Natural gas, or L P?") == 4
    assert said.count("Waiting. Say begin the visit.") == 1


def test_a_loudspeaker_that_is_lost_is_waited_for_and_the_sentence_said_again():
    route, player = BackAtOnce(), ScriptedPlayer(["lost"])
    before = beforehand(saying("begin the visit"), player, route)
    before.wait()
    assert route.told == 3  # gone, plug it in, back
    assert before._voice.rendered.count("Waiting. Say begin the visit.") == 2
    assert len(player.played) == 1


def test_a_microphone_that_is_lost_while_it_waits_is_waited_for():
    sayings = saying("begin the visit")

    def say():
        if not route.told:
            raise MicrophoneLost("The microphone 'x' gave no sound; plug it in.")
        return sayings()

    route = BackAtOnce()
    before = beforehand(say, route=route)
    before.wait()
    assert before._voice.rendered[-2:] == ["The sound is back.", "Waiting. Say begin the visit."]


def test_a_voice_that_fails_ends_it_with_one_sentence():
    before = beforehand(saying("begin"))
    before._voice = ScriptedVoice(failing=["Waiting. Say begin the visit."])
    with pytest.raises(Problem, match="told to fail"):
        before.wait()


def test_from_a_recording_it_waits_is_set_up_and_begins(tmp_path, monkeypatch, capsys):
    """Real sound both ways: the bundled voice says the answers, the bundled model hears them."""
    job = tmp_path / "job.yaml"
    job.write_text(
        "invented: true\nsite: 7 Sample Row (invented)\ntechnician: {name: Sam Doe (invented)}\n"
        "appliance: {description: invented furnace, ignition: direct spark}\nvisit: yearly check\n"
        "plate: {manifold-pressure: {value: 3.5, unit: inH2O}, temperature-rise: {low: 40, unit: delta_degF}, "
        "supply-temperature: {value: 175, unit: degF}}\n",
        encoding="utf-8",
    )
    sayings = ["begin the visit", "natural gas", "yes", "eighty thousand", "yes", "skip", "yes"]
    with ChildVoice(VoiceSettings(), tmp_path / "cache") as voice:
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
