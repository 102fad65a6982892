"""A short visit through PortAudio both ways, on a virtual sound card."""

from __future__ import annotations

import signal
from decimal import Decimal

from technician import FIXTURES, HEADSET, JOB, LiveVisit, Script

from assistant.dialogue.state import Phase
from assistant.record.fold import turns
from assistant.record.record import Record


def test_a_short_visit_by_voice_both_ways(card, tmp_path):  # with a cache that is empty, as the first visit of all
    script = Script(
        words={"arrival-air": "three parts per million"},
        first={"odour": ["banana"]},
        late_s={"look": 3.0},
        until="shut-gas",
    )
    with LiveVisit(card, FIXTURES / "hot-surface.job.yaml", tmp_path) as live:
        state = live.work(script, limit_s=150)
        live.stop()
        (taken,) = state.standing
        assert (taken.quantity, taken.value, taken.unit) == ("ambient-co", Decimal(3), "ppm")
        assert state.site.power == "isolated"
        assert live.record
        with Record.open(live.record, read_only=True) as record:
            assert record.verify() == []
            assert all(turn.same for turn in turns(record))
            kinds = [entry.kind for entry in record.entries()]
        assert "unclear" in kinds
        assert kinds.count("understood") == 1


def test_on_a_headset_stop_cuts_the_voice_off_and_a_number_does_not(card, tmp_path, cache):
    with LiveVisit(card, JOB, tmp_path, *HEADSET, "--headset", cache=cache) as live:
        live.interrupt("three parts per million")
        live.interrupt("stop")
        _, state = live.state()
        live.stop()
        assert state.phase is Phase.HOLDING
        assert state.standing == ()
        with Record.open(live.record, read_only=True) as record:
            entries = list(record.entries())
            assert all(turn.same for turn in turns(record))
        (said,) = [entry.body for entry in entries if entry.kind == "said"]
        assert said["heard"]["text"] == "stop"
        assert said["interrupted"] == said["played"][-1]["text"]
        assert sum(entry.body["utterances"] for entry in entries if entry.kind == "discarded") == 1


def test_on_a_headset_stop_cuts_the_set_up_off(card, tmp_path, cache):
    job = tmp_path / "job.yaml"
    job.write_text("invented: true\nsite: 7 Sample Row (invented)\n", encoding="utf-8")
    with LiveVisit(card, job, tmp_path, *HEADSET, "--headset", "--set-up", cache=cache) as live:
        live.interrupt("stop")
        live.hear_out()
        live.process.send_signal(signal.SIGINT)
        assert live.process.wait(20) == 130
        assert "Stopped. Hands out." in live.output
        assert "nothing of it is recorded" in live.output
        assert live.record is None
