from __future__ import annotations

import pytest
from pydantic import ValidationError

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


def test_people_s_own_words_are_the_file_s() -> None:
    told = {
        "site": "1 Invented Road",
        "visit": "tune up",
        "appliance": {"description": "furnace", "fuel": "propane", "ignition": "direct spark"},
        "technician": {"name": "A. Person"},
        "plate": {"manifold-pressure": {"value": "10", "unit": "inches"}},
    }
    read = Job.model_validate(told)
    assert (read.visit, read.appliance.fuel, read.plate["manifold-pressure"].unit) == ("yearly check", "LP", "inH2O")


@pytest.mark.parametrize("fuel", ["butane", "", None, 3])
def test_any_other_fuel_is_refused(fuel: object) -> None:
    with pytest.raises(ValidationError, match="natural gas"):
        Job.model_validate(
            {
                "site": "1 Invented Road",
                "appliance": {"description": "furnace", "fuel": fuel, "ignition": "direct spark"},
                "technician": {"name": "A. Person"},
            }
        )
