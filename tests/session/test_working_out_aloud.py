"""Two visits to one appliance through sound: rise and input rate are worked out by voice, and the second visit hears
what the first one read. The people speak with the bundled voice; ears, recognizer, dialogue and record are real."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from doubles import ScriptedPlayer, ScriptedVoice, TestClock
from numpy.typing import NDArray

from assistant.dialogue.state import Phase, Working
from assistant.files import library, read_job, top_folder
from assistant.record.earlier import history
from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.record.setting import Setting
from assistant.review.report.page import of_record
from assistant.review.timeline import moments
from assistant.session.edges import Edges
from assistant.session.visit import Visit
from assistant.speech.audio import resample
from assistant.speech.ears import Ears
from assistant.speech.recognizer import VoskRecognizer
from assistant.speech.sources import BLOCK
from assistant.speech.voice import Voice
from assistant.trade.procedures import Procedure

RATE_HZ = 16000
AFTER_S = 1.4  # of silence after an utterance: more than the ears wait for one that may go on

# Invented, and shorter than any procedure that would pass the check.
SHORT = Procedure.model_validate(
    {
        "name": "short",
        "title": "short",
        "ignition": "hot surface",
        "fuel": "natural gas",
        "visit": "yearly check",
        "steps": [
            {"id": "power", "title": "power", "say": "Power on. Say done.", "kind": "do", "skippable": False,
             "sets": {"power": "live"}},
            {"id": "gas", "title": "gas", "say": "Gas on. Say done.", "kind": "do", "skippable": False,
             "sets": {"gas": "on"}},
            {"id": "flame", "title": "flame signal", "say": "Read the flame signal.", "kind": "read",
             "quantity": "flame-signal", "power": ["live"], "gas": ["on"]},
        ],
    }
)  # fmt: skip

ASIDE = [
    "work out the rise",
    "one twenty degrees",
    "sixty eight degrees",
    "clock the meter",
    "yes",
    "mark",
    24.0,  # seconds from one mark's beginning to the next one's
    "mark",
]


class People:
    """Says the next thing of a list when somebody listens; after it, what the visit's end asks."""

    def __init__(self, voice: Voice, says: list[str | float]) -> None:
        self.rate_hz = RATE_HZ
        self.overflows = 0
        self.visit: Visit | None = None
        self._voice, self._says = voice, list(says)
        self._sounds: dict[str, NDArray[np.int16]] = {}
        self._blocks = self._said()

    def take(self, timeout_s: float) -> NDArray[np.int16]:
        for block in self._blocks:
            return block
        raise EOFError

    def _said(self) -> Iterator[NDArray[np.int16]]:
        yield from self._cut(np.zeros(RATE_HZ // 2, np.int16))  # nobody begins with the first sample
        while self.visit is not None and self.visit.state.phase is not Phase.CLOSED:
            text = self._next()
            sound = self._sound(text)
            pause_s = AFTER_S
            if self._says and isinstance(self._says[0], float):
                pause_s = self._says.pop(0) - len(sound) / RATE_HZ  # type: ignore[operator]
            yield from self._cut(np.concatenate([sound, np.zeros(round(pause_s * RATE_HZ), np.int16)]))

    def discard(self) -> int:
        return 0

    def _next(self) -> str:
        assert self.visit is not None
        state = self.visit.state
        if state.phase is Phase.CONFIRMING or (isinstance(state.at, Working) and state.at.heard):
            return "yes"
        if self._says:
            return str(self._says.pop(0))
        return "no" if state.phase in (Phase.TELLING, Phase.FOLLOW_UP) else "yes"

    def _sound(self, text: str) -> NDArray[np.int16]:
        if text not in self._sounds:
            self._sounds[text] = resample(self._voice.render(text), RATE_HZ).samples
        return self._sounds[text]

    @staticmethod
    def _cut(samples: NDArray[np.int16]) -> Iterator[NDArray[np.int16]]:
        for at in range(0, len(samples), BLOCK):
            yield samples[at : at + BLOCK]


@pytest.fixture(scope="module")
def visits(tmp_path_factory) -> dict[str, Path]:
    """The records of a visit in November 2025, and of one a year later."""
    folder = tmp_path_factory.mktemp("visits")
    recognizer = VoskRecognizer(top_folder("models_manifest") / "field_model")
    job = read_job(top_folder("audio_fixtures") / "visits" / "hot-surface.job.yaml").model_copy(update={"meters": ()})
    paths = {}
    with Voice(folder / "voice") as voice:
        for utc, flame in (
            ("2025-11-28T09:00:00.000Z", "four point one"),
            ("2026-11-26T09:00:00.000Z", "one point nine"),
        ):
            path = folder / utc[:4] / "visit.sqlite"
            path.parent.mkdir()
            rules = replace(library().rules_for(job, history(folder, job, utc)), procedure=SHORT)
            record = Record.create(path, TestClock(utc))
            record.append([("visit", Setting(rules, library().grammar_texts, "vosk", "scripted").to_body())])
            people = People(voice, ["done", "done", *ASIDE, f"{flame} microamps"])
            ears = Ears(recognizer, people)
            people.visit = Visit(record, Edges(ears, ScriptedVoice(), ScriptedPlayer(), lambda event, effects: None))
            assert people.visit.run()
            record.close()
            paths[utc[:4]] = path
    return paths


def bodies(path: Path, kind: str) -> list[dict]:
    with Record.open(path, read_only=True) as record:
        return [entry.body for entry in record.entries() if entry.kind == kind]


def test_the_rise_is_worked_out_of_what_was_said(visits):
    rise = next(b for b in bodies(visits["2025"], "worked-out") if b["working"] == "temperature-rise")
    assert (rise["value"], rise["verdict"]) == ("52", "pass")


def test_the_input_rate_is_worked_out_of_two_marks_with_its_uncertainty(visits):
    rate = next(b for b in bodies(visits["2025"], "worked-out") if b["working"] == "input-rate")
    seconds = Decimal(rate["inputs"]["seconds"]["value"])
    assert abs(seconds - 24) <= Decimal("0.2")
    value = 3600 * Decimal("0.5") / seconds * 1030
    assert abs(Decimal(rate["value"]) - value) < 1
    assert rate["whole"] is True
    assert 0.02 < float(rate["worked_uncertainty"]) / float(rate["value"]) < 0.04
    assert rate["limit"]["high"] == "80000"


def test_the_pending_question_was_put_again_and_answered(visits):
    assert [(b["quantity"], b["value"]) for b in bodies(visits["2025"], "reading")] == [("flame-signal", "4.1")]
    assert [b["power"] + b["gas"] for b in bodies(visits["2025"], "site")] == ["liveunknown", "liveon"]


def test_the_second_visit_hears_what_the_first_one_read(visits):
    assert not [b for b in bodies(visits["2025"], "compared") if b["quantity"] == "flame-signal"]
    compared = next(b for b in bodies(visits["2026"], "compared") if b["quantity"] == "flame-signal")
    assert compared["earlier"] == [["2025-11-28", "4.1"]]
    voiced = " ".join(text["text"] for b in bodies(visits["2026"], "voiced") for text in b["played"])
    assert "Last November, four point one." in voiced
    assert "Last November, five two." in voiced  # the rise


def test_both_visits_fold_the_same(visits):
    for path in visits.values():
        with Record.open(path, read_only=True) as record:
            assert record.verify() == []
            assert all(turn.same for turn in turns(record))


def test_the_report_and_the_time_line_show_what_was_worked_out_and_compared(visits):
    with Record.open(visits["2026"], read_only=True) as record:
        report, problems = of_record(record, audio=False)
        shown = [text for moment in moments(record.entries()) for text in moment.taken]
    assert problems == []
    assert "seconds 24" in report
    assert "heating_value 1030 (job file)" in report
    assert "Earlier flame signal: 4.1 on 2025-11-28; now 1.9 µA." in report
    assert any(text.startswith("worked out: input-rate ") for text in shown)
    assert "compared: flame-signal" in shown
