"""A short visit through PortAudio both ways, on a virtual sound card."""

from __future__ import annotations

from decimal import Decimal

import pytest
from card import Card
from technician import FIXTURES, LiveVisit, Script

from assistant.visit.record import Record
from assistant.visit.visit import turns

JOB = FIXTURES / "hot-surface.job.yaml"


@pytest.fixture
def card(need):
    need("pulseaudio")
    with Card() as card:
        yield card


def test_a_short_visit_by_voice_both_ways(card, tmp_path):
    script = Script(
        words={"arrival-air": "three parts per million"},
        first={"odour": ["banana"]},
        late_s={"look": 3.0},
        until="shut-gas",
    )
    with LiveVisit(card, JOB, tmp_path) as live:
        live.noise(60)
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
