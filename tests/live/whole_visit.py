"""A whole visit through PortAudio both ways, about twenty minutes: `make live-test`. The record is what was meant."""

from __future__ import annotations

import pytest
from card import Card
from technician import FIXTURES, WORDS, LiveVisit, Script

from assistant.language.meaning import Question, Reading
from assistant.record.fold import turns
from assistant.record.record import Record

# Late, wrong, unclear and silent once each, as people are.
SCRIPT = Script(
    first={"odour": ["banana"], "line": ["one sixty volts"], "polarity": ["how far", "correction"]},
    late_s={"rod-unlit": 5.0, "look": 35.0},
    marks_s={"sequence": [2.0, 16.5, 19.0, 3.5, 29.0], "flame-out": [0.9]},
)
NEAR_S = 0.3  # of a time by marks: what it takes to start playing a sound here is in it


@pytest.mark.timeout(2100)
def test_the_record_of_a_whole_visit_equals_what_was_meant(need, tmp_path, language, capsys):
    need("pulseaudio")
    with Card() as card, LiveVisit(card, FIXTURES / "hot-surface.job.yaml", tmp_path) as live:
        try:
            state = live.work(SCRIPT, limit_s=2000)
            assert live.process.wait(60) == 0, live.output
        finally:
            with capsys.disabled():
                live.measure()
                for spoken in live.spoken:
                    print(f"{spoken.answered_s - spoken.ended_s:6.3f}  {spoken.state.step:20} {spoken.words}")
        dialogue, _ = live.state()
        procedure = dialogue.rules.procedure
        for taken in state.standing:
            if taken.words == "mark":
                step = procedure.step(taken.step)
                since, until = (step.events.index(event) for event in step.times[taken.quantity])
                assert float(taken.value) == pytest.approx(sum(SCRIPT.marks_s[step.id][since:until]), abs=NEAR_S), taken
                continue
            quantity = dialogue.rules.quantities[taken.quantity]
            meant = language.understand(WORDS[taken.quantity], Question(taken.quantity, quantity))
            assert isinstance(meant, Reading)
            assert (taken.value, taken.unit) == (meant.value, meant.unit), taken
        left = {skipped.step for skipped in state.skipped}
        worked = [step for step in procedure.steps if step.id in state.path and step.id not in left]
        assert {taken.quantity for taken in state.standing} == {q for step in worked for q in step.quantities}
        assert len(worked) > 40
        with Record.open(live.record, read_only=True) as record:
            assert record.verify() == []
            assert all(turn.same for turn in turns(record))
            kinds = [entry.kind for entry in record.entries()]
        assert {"correction", "unclear", "quiet", "closed"} <= set(kinds)
