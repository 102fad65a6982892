"""The limits that were read in a named text, each with what the text says, and the four states of ILAC-G8."""

from decimal import Decimal

import pytest

from assistant.trade.formulas.combustion import co_air_free_ppm
from assistant.trade.job import PlateValue
from assistant.trade.judging import Limit, Source, judge


def limit(shelf, name: str, fuel: str = "natural gas", ignition: str = "standing pilot"):
    return shelf.limits_for(fuel, ignition, "yearly check")[name]


# "ILAC-G8:09/2019, 4.2.3: for an upper tolerance limit TL and guard band w: pass, the result is below TL - w;
# conditional pass, inside the guard band and below TL; conditional fail, above TL and inside the guard band TL + w;
# fail, above TL + w." With w = U the risk of a false accept is at most 2.5 % (two laboratories' decision rules).
UPPER = [
    ("96.9", "pass"),
    ("97", "pass"),
    ("97.1", "conditional-pass"),
    ("100", "conditional-pass"),
    ("100.1", "conditional-fail"),
    ("103", "conditional-fail"),
    ("103.1", "fail"),
]


@pytest.mark.parametrize(("reading", "state"), UPPER)
def test_the_four_states_at_an_upper_limit(reading, state):
    upper = Limit(
        quantity="x", unit="ppm", high=Decimal(100), authority="generic", source=Source(mark="common practice")
    )
    assert judge(Decimal(reading), upper, Decimal(3)).outcome == state


@pytest.mark.parametrize(("reading", "state"), UPPER)
def test_the_four_states_at_a_lower_limit_mirror_them(reading, state):
    lower = Limit(
        quantity="x", unit="ppm", low=Decimal(100), authority="generic", source=Source(mark="common practice")
    )
    assert judge(200 - Decimal(reading), lower, Decimal(3)).outcome == state


# The worked values of the same rule: flame signal 1.3 uA, least 1.0, U 0.36; CO air-free 390.9, 451, 361 at most 400.
@pytest.mark.parametrize(
    ("low", "high", "reading", "u", "state"),
    [
        ("1.0", None, "1.3", "0.36", "conditional-pass"),
        (None, "400", "390.9", "23.5", "conditional-pass"),
        (None, "400", "451", "27", "fail"),
        (None, "400", "361", "22", "pass"),
    ],
)
def test_worked_values_of_the_rule(low, high, reading, u, state):
    held = Limit(
        quantity="x",
        unit="ppm",
        low=low and Decimal(low),
        high=high and Decimal(high),
        authority="generic",
        source=Source(mark="common practice"),
    )
    assert judge(Decimal(reading), held, Decimal(u)).outcome == state


def test_ambient_co(shelf):
    """2018 International Residential Code, Appendix D (read): the inspection proceeds where ambient CO is below 30 ppm.
    An archived EPA page: the US outdoor standard is 9 ppm for 8 hours; that the source is looked for from there on is
    practice. From memory, verify: 30 to 69 air the room and stop the source, 70 and more leave.
    """
    held = limit(shelf, "ambient-co")
    assert held.source.mark == "from memory, verify"  # of its parts the weakest
    for part in ("30 ppm: read in 2018 International Residential Code, Appendix D", "70 everybody leaves: from memory"):
        assert part in held.source.text
    assert (held.caution_high, held.high, held.emergency_from, held.exclusive) == (9, 30, 70, True)
    for reading, outcome in (("8", "pass"), ("9", "caution"), ("29", "caution"), ("30", "fail"), ("70", "fail")):
        assert judge(Decimal(reading), held).outcome == outcome
    assert held.caution_means == "find the source"


def test_combustible_gas_is_held_stricter_than_the_text(shelf):
    """The same appendix: at 20 % of the lower explosive limit and above, leave."""
    held = limit(shelf, "combustible-gas")
    assert held.high < 20
    assert held.emergency_from < 20
    assert held.source.mark == "common practice"


def test_co_air_free(shelf):
    """HVAC Today, a trade magazine: 400 ppm air-free, vented heating equipment, ANSI Z21 family; the
    standard itself was not read. A combustion training page for commercial units: target below 100 ppm air-free.
    """
    held = limit(shelf, "co-air-free")
    assert held.source.mark == "published"
    assert held.source.text.startswith("trade magazine HVAC Today: 400 ppm")
    assert "the standard itself was not read" in held.source.text
    assert (held.caution_high, held.high) == (100, 400)
    for reading, outcome in (("99", "pass"), ("101", "caution"), ("399", "caution"), ("401", "fail")):
        assert judge(Decimal(reading), held).outcome == outcome
    assert held.caution_means == "find the cause"


def test_flue_co_as_measured_fails_from_400_whatever_the_oxygen_is(shelf):
    """The same 400 ppm air-free. Worked: air-free is CO x 20.9 / (20.9 - O2), so never below what was measured; 400 ppm
    at 8 % of oxygen is 648 air-free.
    """
    held = limit(shelf, "flue-co")
    assert (held.high, held.source.mark) == (400, "published")
    for oxygen in ("0", "3", "8", "20"):
        assert co_air_free_ppm(Decimal(400), Decimal(oxygen)) >= 400
    assert round(co_air_free_ppm(Decimal(400), Decimal(8))) == 648
    for reading, outcome in (("28", "noted"), ("399", "noted"), ("400", "fail"), ("900", "fail")):
        assert judge(Decimal(reading), held).outcome == outcome
    assert judge(Decimal(395), held, Decimal(20)).accepted is False  # a safety limit: not surely below


@pytest.mark.parametrize("ignition", ["hot surface", "direct spark", "intermittent pilot", "standing pilot"])
def test_the_main_burner_lights_within_four_seconds_of_gas(shelf, ignition):
    """Web pages of a trade handbook (read): the main burner must light within 4 s of gas. Makers' manuals: trials of 4
    to 7 s with hot surface, 4 to 21 s with direct spark; from memory: 15 to 90 s for a pilot.
    """
    direct = ignition in ("hot surface", "direct spark")
    held = limit(shelf, "trial-for-ignition" if direct else "main-light-time", ignition=ignition)
    for reading, outcome in (("1", "pass"), ("4", "pass"), ("4.1", "fail"), ("7", "fail"), ("19", "fail")):
        assert judge(Decimal(reading), held).outcome == outcome
    assert held.source.mark == "common practice"


def test_draft_is_suction(shelf):
    """A combustion training page (read): -0.02 to -0.04 inH2O in the connector of a natural draft furnace. An oil heat
    guide, p. 43: at least -0.01 to -0.02, by the weather. Worked: -0.08 pulls more than -0.04, -0.005 less than -0.01.
    """
    held = limit(shelf, "draft")
    readings = (("-0.03", "pass"), ("-0.015", "caution"), ("-0.005", "fail"), ("-0.08", "fail"), ("0.02", "fail"))
    for reading, outcome in readings:
        assert judge(Decimal(reading), held).outcome == outcome
    assert "too weak" in judge(Decimal("-0.005"), held).reason
    assert "too strong" in judge(Decimal("-0.08"), held).reason


def test_the_input_is_never_above_the_plate_and_within_five_percent_below(shelf):
    """Common practice: aimed at is 2 to 5 % below the plate, never above it, and beyond 5 % something is done. Worked:
    53 000 on a plate of 80 000 Btu/h is 33.8 % below.
    """
    held = limit(shelf, "input-rate").with_plate(PlateValue(unit="Btu_per_hour", value=Decimal(80000)))
    readings = (("80001", "fail"), ("80000", "pass"), ("76000", "pass"), ("75999", "caution"), ("53000", "caution"))
    for reading, outcome in readings:
        assert judge(Decimal(reading), held).outcome == outcome
    assert held.percent_above_high(Decimal(53000)) == Decimal("-33.8")
    assert held.caution_means == "find the cause"


def test_a_magnet_that_lets_go_at_six_millivolts_is_worn(shelf):
    """A trade author's procedure quoted in a heating forum (read): 1 to 2 mV is normal, release is below 6 mV. From
    6 mV on the magnet is worn, and the valve is replaced (common practice). Another author's 14 to 18 mV to hold stands
    against it, and is another figure.
    """
    held = limit(shelf, "magnet-release-millivolts")
    readings = (("0", "caution"), ("0.9", "caution"), ("1", "pass"), ("2", "pass"), ("5.9", "pass"), ("6", "fail"))
    for reading, outcome in (*readings, ("9", "fail")):
        assert judge(Decimal(reading), held).outcome == outcome
    assert held.caution_means == "read it again"


def test_a_drop_of_the_inlet_pressure_is_looked_into(shelf):
    """Common practice: up to 0.5 inH2O is usual of a house's pipes, above 1 is looked into."""
    held = limit(shelf, "inlet-drop")
    for reading, outcome in (("0.5", "pass"), ("1", "pass"), ("1.1", "caution"), ("3", "caution")):
        assert judge(Decimal(reading), held).outcome == outcome
    assert held.caution_means == "find the cause"


def test_times_of_the_sequence(shelf):
    """Warm-up: a trade newspaper and a trade magazine (read), 17, 20, 34, 40 s for silicon carbide, 3 to 5 s and 15 to
    20 s for silicon nitride. Blower on: makers' manuals, 20 to 45 s after the valve; a fan switch by heat takes longer
    (common practice). Pre-purge: makers' flow charts, 15 s, others 30 to 34 s, counted once the switch has closed.
    """
    readings = {
        "warm-up-time": (("2.8", "caution"), ("3", "pass"), ("40", "pass"), ("41", "caution")),
        "blower-on-time": (("19", "caution"), ("30", "pass"), ("45", "pass"), ("120", "pass")),
        "pre-purge-time": (("14", "caution"), ("15", "pass"), ("34", "pass"), ("35", "caution")),
    }
    for name, each in readings.items():
        for reading, outcome in each:
            assert judge(Decimal(reading), limit(shelf, name)).outcome == outcome, (name, reading)
    assert "pressure switch closing" in limit(shelf, "pre-purge-time").condition
    assert "timed controls 20 to 45 s" in limit(shelf, "blower-on-time").source.text


def test_thermocouples(shelf):
    """Open circuit: a college text on thermocouples (read), 25 to 30 mV healthy; dealers' sheets, 18 to 20 mV least,
    lifted from the valve after 45 to 60 s. Closed circuit: makers' manuals (read), at least 10 or 13 mV by the control,
    with an adaptor after three minutes. One author wants 14 to 18 mV: a conflict that stays open.
    """
    readings = {
        "thermocouple-millivolts": (("17.9", "fail"), ("18", "caution"), ("24.9", "caution"), ("25", "pass")),
        "thermocouple-loaded-millivolts": (("9.9", "fail"), ("10", "caution"), ("12.9", "caution"), ("13", "pass")),
    }
    for name, each in readings.items():
        for reading, outcome in each:
            assert judge(Decimal(reading), limit(shelf, name)).outcome == outcome, (name, reading)
    assert limit(shelf, "thermocouple-millivolts").condition.startswith(
        "lifted from the valve, knob held, after 45 to 60"
    )
    assert limit(shelf, "thermocouple-loaded-millivolts").condition.startswith("closed circuit, with the adaptor")


def test_neutral_to_ground_is_read_with_the_loads_running(shelf):
    """Common practice: under 1 to 2 V on load is good, 2 to 5 V borderline, above 5 V a fault."""
    held = limit(shelf, "neutral-to-ground")
    for reading, outcome in (("2", "pass"), ("2.1", "caution"), ("5", "caution"), ("5.1", "fail"), ("60", "fail")):
        assert judge(Decimal(reading), held).outcome == outcome
    assert held.condition == "with the loads running"


def test_purges_after_and_between_trials(shelf):
    """Makers' flow charts and manuals (read): post-purge 5 to 30 s, 34 s seen; between trials 15 to 60 s, 30 s seen."""
    readings = {
        "post-purge-time": (("4", "caution"), ("5", "pass"), ("34", "pass"), ("35", "caution")),
        "inter-purge-time": (("14", "caution"), ("15", "pass"), ("30", "pass"), ("60", "pass"), ("61", "caution")),
    }
    for name, each in readings.items():
        for reading, outcome in each:
            assert judge(Decimal(reading), limit(shelf, name)).outcome == outcome, (name, reading)


def test_warnings_that_name_a_published_text(shelf):
    """OSHA 29 CFR 1910.147: isolate, lock or tag, verify. IRC 2018 Appendix D: lock or tag gas and power; CO in the
    vent after 5 minutes.
    """
    for name in ("lock-out", "test-for-dead"):
        assert "29 CFR 1910.147" in shelf.hazards[name].source.text
    for name in ("gas-lock", "gas-lock-low", "burner-run"):
        assert "2018 International Residential Code, Appendix D" in shelf.hazards[name].source.text


def test_no_other_limit_claims_a_published_source(shelf):
    published = {name for name, each in shelf.limits.items() if any(e.source.mark == "published" for e in each)}
    assert published == {"co-air-free", "flue-co"}
