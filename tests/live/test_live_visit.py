"""A short visit through PortAudio both ways, on a virtual sound card."""

from __future__ import annotations

import signal
import time
from datetime import UTC, datetime
from decimal import Decimal

import pytest
from card import Card
from technician import FIXTURES, LiveVisit, Script

from assistant.dialogue.state import Phase
from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.record.setting import setting_of

# Each group takes up to two minutes; `make test` gives each a process.
JOB = FIXTURES / "hot-surface-brief.job.yaml"


@pytest.fixture
def card(need):
    need("pulseaudio")
    with Card() as card:
        yield card


@pytest.mark.xdist_group("visit")
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


HEADSET = ("--microphone", "headset_microphone", "--loudspeaker", "headset_loudspeaker")


@pytest.mark.xdist_group("devices")
def test_a_sound_card_that_goes_and_comes_back_loses_nothing(card, tmp_path, cache):
    with LiveVisit(card, JOB, tmp_path, *HEADSET, cache=cache) as live:
        live.work(Script(until="odour"), limit_s=60)
        card.remove()
        wait_for(live, "lost")
        live.reinsert()
        wait_for(live, "devices back")
        state = live.work(Script(until="look"), limit_s=90)
        live.stop()
        assert [(t.quantity, t.value) for t in state.standing] == [("ambient-co", Decimal(3))]
        opened, lost, back = devices(live)
        assert opened["microphone"]["microphone"] == back["microphone"]["microphone"] == "headset_microphone"
        assert "lost" in lost["what"]
        with Record.open(live.record, read_only=True) as record:
            assert record.verify() == []


@pytest.mark.xdist_group("devices")
def test_a_headset_that_falls_asleep_is_noticed_and_waited_for(card, tmp_path, cache):
    with LiveVisit(card, JOB, tmp_path, *HEADSET, cache=cache) as live:
        live.work(Script(until="odour"), limit_s=60)
        card.sleep("mic", True)
        asleep = datetime.now(UTC)
        at = wait_for(live, "microphone lost")
        assert (at - asleep).total_seconds() < 2.5  # two seconds, and a busy machine
        card.sleep("mic", False)
        wait_for(live, "devices back")
        state = live.work(Script(until="look"), limit_s=90)
        live.stop()
        assert state.step == "look"


@pytest.mark.xdist_group("visit")
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


@pytest.mark.xdist_group("set-up")
def test_a_helper_with_a_microphone_gives_a_reading_and_is_named_in_the_record(card, tmp_path, cache):
    with LiveVisit(card, JOB, tmp_path, *HEADSET, "--helper-microphone", "helper_microphone", cache=cache) as live:
        live.work(Script(until="arrival-air"), limit_s=60)
        _, state = live.listen(time.monotonic() + 20)
        live.say("helper reading", state)
        live.listen(time.monotonic() + 20)
        card.say(live.clips["three parts per million"], into="helper").wait()
        time.sleep(1.5)
        _, state = live.listen(time.monotonic() + 20)
        live.stop()
        assert state.at.heard.value == Decimal(3)
        with Record.open(live.record, read_only=True) as record:
            said = [entry.body for entry in record.entries() if entry.kind == "said"]
            assert all(turn.same for turn in turns(record))
        assert [(b["heard"]["text"], b["microphone"]) for b in said[-2:]] == [
            ("helper reading", "technician"),
            ("three parts per million", "helper"),
        ]


@pytest.mark.xdist_group("set-up")
def test_the_start_and_the_set_up_by_voice_outlast_a_sound_card_that_goes(card, tmp_path, cache):
    job = tmp_path / "job.yaml"
    job.write_text(JOB.read_text(encoding="utf-8").replace("  fuel: natural gas\n", ""), encoding="utf-8")
    with LiveVisit(card, job, tmp_path, *HEADSET, "--wait", "--set-up", cache=cache) as live:
        live.hear_out()
        assert "Waiting. Say begin the visit." in live.output
        live.say("three parts per million")
        card.remove()
        time.sleep(3)
        assert live.process.poll() is None
        live.reinsert()
        live.hear_out()  # "The sound is back."
        live.say("begin the visit")
        live.hear_out()
        card.remove()
        time.sleep(3)
        live.reinsert()
        for words in ("natural gas", "yes", "yes"):
            live.hear_out()
            live.say(words)
        state = live.work(Script(until="odour"), limit_s=60)
        live.stop()
        assert [(t.quantity, t.value) for t in state.standing] == [("ambient-co", Decimal(3))]
        with Record.open(live.record, read_only=True) as record:
            assert record.verify() == []
            assert setting_of(record).rules.job.appliance.fuel == "natural gas"
            heard = [entry.body["heard"]["text"] for entry in record.entries() if entry.kind == "set-up"]
        assert heard == ["natural gas", "yes", "yes"]


@pytest.mark.xdist_group("visit")
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


def wait_for(live, what):
    """Waits until the record says that of a device; when it was written."""
    started = time.monotonic()
    while True:
        with Record.open(live.record, read_only=True) as record:
            for entry in record.entries():
                if entry.kind == "device" and what in entry.body["what"]:
                    return datetime.fromisoformat(entry.utc)
        assert time.monotonic() - started < 40, live.output
        time.sleep(0.05)


def devices(live):
    with Record.open(live.record, read_only=True) as record:
        return [entry.body for entry in record.entries() if entry.kind == "device"]
