from __future__ import annotations

import pytest

from assistant.trade.job import Job


def job(site: str, description: str, tag: str = "") -> Job:
    appliance = {"description": description, "fuel": "LP", "ignition": "direct spark", "tag": tag}
    return Job.model_validate({"site": site, "appliance": appliance, "technician": {"name": "A. Person"}})


@pytest.mark.parametrize(
    ("this", "other", "same"),
    [
        (job("1 Invented Road", "furnace"), job("1  Invented Road", "furnace "), True),
        (job("1 Invented Road", "furnace"), job("1 Invented Road", "boiler"), False),
        (job("1 Invented Road", "furnace", "unit 1"), job("1 Invented Road", "attic furnace", "unit 1"), True),
        (job("1 Invented Road", "furnace", "unit 1"), job("2 Invented Road", "furnace", "unit 1"), False),
        (job("1 Invented Road", "furnace", "unit 1"), job("1 Invented Road", "furnace", "unit 2"), False),
        (job("1 Invented Road", "furnace", "  "), job("1 Invented Road", "furnace"), True),
    ],
)
def test_visits_to_the_same_appliance_have_the_same_key(this: Job, other: Job, same: bool) -> None:
    assert (this.appliance_key() == other.appliance_key()) is same
