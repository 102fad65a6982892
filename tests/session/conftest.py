"""The recorded visits, each worked through its audio once."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from doubles import ScriptedPlayer, ScriptedVoice

from assistant.files import library, read_job, top_folder
from assistant.record.record import Record
from assistant.record.setting import Setting
from assistant.session.edges import Edges
from assistant.session.visit import Visit
from assistant.speech.ears import Ears
from assistant.speech.recognizer import VoskRecognizer
from assistant.speech.sources import FileSource


@pytest.fixture(scope="session")
def recorded_visit(tmp_path_factory) -> Callable[[str], Path]:
    """The path of the record that a recording gives, from its first word to its last; it is only read."""

    @cache
    def work(name: str) -> Path:
        path = tmp_path_factory.mktemp(name) / "visit.sqlite"
        recognizer = VoskRecognizer(top_folder("models_manifest") / "field_model")
        recording = top_folder("audio_fixtures") / "visits" / f"{name}.flac"
        with Record.create(path) as record:
            rules = library().rules_for(read_job(recording.with_suffix(".job.yaml")))
            setting = Setting(rules, library().grammar_texts, recognizer.name, "scripted", (str(recording),))
            record.append([("visit", setting.to_body())])
            ears = Ears(recognizer, FileSource([recording]))
            visit = Visit(record, Edges(ears, ScriptedVoice(), ScriptedPlayer(), lambda event, effects: None))
            assert visit.run(), f"the recording is over at {visit.state.step} ({visit.state.phase.value})"
        return path

    return work
