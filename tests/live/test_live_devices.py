"""Devices of a visit that are lost and come back, on a virtual sound card."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from decimal import Decimal

from technician import HEADSET, JOB, LiveVisit, Script

from assistant.record.record import Record


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
