"""Whole visits: from the fixtures' audio to the record, with real recognition."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from doubles import ScriptedPlayer, ScriptedVoice

from assistant.dialogue.state import Phase
from assistant.errors import Problem
from assistant.files import library, read_job, top_folder
from assistant.record import folder as visits
from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.record.setting import Setting
from assistant.session.edges import Edges
from assistant.session.loop import LONGEST_S
from assistant.session.visit import Visit
from assistant.speech.audio import Audio, VisitTrack
from assistant.speech.ears import Ears
from assistant.speech.player import TrackPlayer
from assistant.speech.recognizer import VoskRecognizer
from assistant.speech.sources import FileSource

FIXTURES = top_folder("audio_fixtures") / "visits"


@pytest.fixture(scope="module")
def recognizer():
    return VoskRecognizer(top_folder("models_manifest") / "field_model")


def begin(path: Path, name: str, recognizer, voice=None, player=None) -> Visit:
    """A visit of a fixture; new, or resumed where its record is there."""
    recording = FIXTURES / f"{name}.flac"
    if path.exists():
        record = Record.open(path)
    else:
        record = Record.create(path)
        rules = library().rules_for(read_job(FIXTURES / f"{name}.job.yaml"))
        setting = Setting(rules, library().grammar_texts, recognizer.name, "scripted", (str(recording),))
        record.append([("visit", setting.to_body())])
    ears = Ears(recognizer, FileSource([recording]))
    return Visit(record, Edges(ears, voice or ScriptedVoice(), player or ScriptedPlayer(), lambda event, effects: None))


def bodies(path: Path, kind: str) -> list[dict]:
    with Record.open(path, read_only=True) as record:
        return [entry.body for entry in record.entries() if entry.kind == kind]


def test_a_text_that_takes_long_is_said_in_parts(tmp_path, recognizer):
    class Slow(ScriptedVoice):
        def render(self, text, rate_wpm=165):
            sound = super().render(text)
            return Audio(np.tile(sound.samples, 4), sound.rate_hz)

    visit = begin(tmp_path / "visit.sqlite", "gas-odour", recognizer, Slow())
    visit.run()
    visit.record.close()
    played = [p for b in bodies(tmp_path / "visit.sqlite", "voiced") for p in b["played"]]
    assert max(p["seconds"] for p in played) <= LONGEST_S
    assert "and the local code come first." in " ".join(p["text"] for p in played)


def test_the_gas_odour_visit_stops_and_starts_again(tmp_path, recognizer):
    visit = begin(tmp_path / "visit.sqlite", "gas-odour", recognizer)
    assert not visit.run()  # its recording ends on hold
    visit.record.close()
    kinds = [e.kind for e in Record.open(tmp_path / "visit.sqlite", read_only=True).entries()]
    assert kinds.index("emergency") < kinds.index("cleared-by") < kinds.index("area-clear")
    assert [b["value"] for b in bodies(tmp_path / "visit.sqlite", "reading")] == ["2", "2"]
    assert visit.state.phase is Phase.HOLDING


def test_a_voice_that_fails_holds_the_visit_and_is_recorded(tmp_path, recognizer):
    voice = ScriptedVoice(failing=["If you smell any gas, touch nothing."])
    visit = begin(tmp_path / "visit.sqlite", "gas-odour", recognizer, voice)
    visit.run()
    visit.record.close()
    first = bodies(tmp_path / "visit.sqlite", "not-voiced")[0]
    assert first["step"] == "odour"
    assert "told to fail" in first["problem"]
    # "no" was said next, but the step had not opened: it was no answer to it.
    assert bodies(tmp_path / "visit.sqlite", "answer") == []


def test_a_loudspeaker_that_is_lost_opens_no_step(tmp_path, recognizer):
    player = ScriptedPlayer(["complete"] * 4 + ["lost"] * 400)
    visit = begin(tmp_path / "visit.sqlite", "gas-odour", recognizer, player=player)
    visit.run()
    visit.record.close()
    assert bodies(tmp_path / "visit.sqlite", "not-voiced")
    assert not visit.state.readings


def test_the_answer_goes_on_the_track_of_the_visit(tmp_path, recognizer):
    track = VisitTrack(recognizer.rate_hz)
    visit = begin(tmp_path / "visit.sqlite", "gas-odour", recognizer, player=TrackPlayer(track))
    visit.run()
    visit.record.close()
    track.write(tmp_path / "visit.flac")
    import soundfile

    samples, rate = soundfile.read(tmp_path / "visit.flac", dtype="int16")
    assert rate == recognizer.rate_hz
    assert samples.shape[1] == 2
    assert abs(samples[:, 1]).max() > 3000


def test_a_visit_that_never_began_is_no_visit(tmp_path):
    Record.create(tmp_path / "visit.sqlite").close()
    with Record.open(tmp_path / "visit.sqlite") as record, pytest.raises(Problem, match="holds no visit"):
        list(turns(record))


def test_the_newest_unfinished_visit_is_resumed(tmp_path, recognizer):
    with pytest.raises(Problem, match="no unfinished visit"):
        visits.unfinished(tmp_path)
    for moment, name in enumerate(("older", "newer")):
        (tmp_path / name).mkdir()
        begin(tmp_path / name / "visit.sqlite", "gas-odour", recognizer).record.close()
        os.utime(tmp_path / name / "visit.sqlite", (moment, moment))
    assert visits.unfinished(tmp_path) == tmp_path / "newer" / "visit.sqlite"
