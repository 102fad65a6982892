"""The comparison with earlier visits to the same appliance, aloud and in the record."""

from __future__ import annotations

from decimal import Decimal

import pytest
from simulated import Technician

from assistant.files import library
from assistant.trade.history import Earlier, History


def at(step: str, quantity: str, *values: tuple[str, str, int]) -> Technician:
    """At the question of a step, on 2026-11-26. values: of earlier visits, each with its date and days ago."""
    unit = library().quantities[quantity].unit
    before = History(
        date="2026-11-26",
        earlier=tuple(
            Earlier(quantity=quantity, value=Decimal(value), unit=unit, date=date, days_ago=days)
            for value, date, days in values
        ),
    )
    technician = Technician(library().procedures["hot-surface-natural-gas-commissioning"], history=before)
    technician.go_to(step)
    technician.notes.clear()
    return technician


def test_the_last_visit_is_told_right_after_the_read_back():
    talk = at("flame", "flame-signal", ("4.1", "2025-11-28", 363))
    said = talk.hear("one point nine microamps", "yes")
    assert "Taken. Pass, generic limit. Last November, four point one." in said
    assert "slope" not in said
    assert talk.note("compared")["earlier"] == [["2025-11-28", "4.1"]]


def test_three_visits_have_a_slope_which_is_no_promise():
    talk = at("flame", "flame-signal", ("4.1", "2024-11-20", 736), ("3.0", "2025-11-28", 363))
    said = talk.hear("one point nine microamps", "yes")
    assert "It falls about one point one a year." in said
    assert "At this slope, at its limit in under a year. It may be sooner, or later." in said
    assert talk.note("compared")["per_year"] == "-1.1"


@pytest.mark.parametrize(
    ("date", "told"),
    [("2026-11-02", "Earlier this month,"), ("2024-03-02", "In March 2024,"), ("2026-02-27", "Last February,")],
)
def test_a_date_as_people_say_it(date, told):
    talk = at("flame", "flame-signal", ("2.0", date, 100))
    said = talk.hear("one point nine microamps", "yes")
    assert f"{told} two." in said


def test_a_reading_far_from_the_last_visit_is_asked_once_with_what_it_was():
    talk = at("igniter-cold", "igniter-resistance", ("10", "2025-11-28", 363))
    said = talk.hear("sixty two ohms")
    assert talk.note("heard-reading")["asked_because"] == "far from the last visit"
    assert said == "I heard six, two ohms. Last November, one zero. Is that right?"
    talk.notes.clear()
    talk.say("yes")
    assert talk.note("reading")["value"] == "62"
    assert "heard-reading" not in [each.kind for each in talk.notes]


def test_without_history_nothing_is_compared():
    talk = at("flame", "flame-signal")
    talk.hear("one point nine microamps", "yes")
    assert "reading" in [each.kind for each in talk.notes]
    assert "compared" not in [each.kind for each in talk.notes]
