"""The spoken start, the set-up by voice and a helper's microphone, on a virtual sound card."""

from __future__ import annotations

import time
from decimal import Decimal

from technician import HEADSET, JOB, LiveVisit, Script

from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.record.setting import setting_of


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
