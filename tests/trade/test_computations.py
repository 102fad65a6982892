"""What can be worked out by name: keys, ranges, uncertainty."""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.trade.computations import COMPUTATIONS, work_out

# One sound set of inputs for each formula; the values are only to be taken, not checked.
SOUND = {name: dict(working.example) for name, working in COMPUTATIONS.items()}
FEWER = settings.default.max_examples // 8  # for each of sixty inputs
# Where zero or less has a meaning: CO, O2, altitudes, temperatures, readings; and what a meter's sheet may say.
MAY_BE_ZERO = {
    "co_ppm", "o2_percent", "altitude_ft", "temperature_degC", "air_degC", "reading", "percent", "counts", "value",
    "limit", "expanded_uncertainty", "supply_degF", "return_degF", "standing_inH2O", "running_inH2O",
}  # fmt: skip
MAY_BE_NEGATIVE = {
    "altitude_ft", "temperature_degC", "air_degC", "reading", "value", "limit", "supply_degF", "return_degF",
    "standing_inH2O", "running_inH2O",
}  # fmt: skip
NUMBERS = [
    (name, each.key)
    for name, working in COMPUTATIONS.items()
    for each in working.takes
    if each.choices is None and each.default != ""
]


def test_every_formula_has_a_sound_set():
    assert SOUND.keys() == COMPUTATIONS.keys()
    for name, values in SOUND.items():
        assert work_out(name, values).source


SENTENCE = r"[a-z]+ .*[a-z]+"


def one_sentence(wrong: pytest.ExceptionInfo[ValueError]) -> bool:
    text = str(wrong.value)
    return len(text) > 10 and "\n" not in text


@pytest.mark.parametrize(("name", "key"), NUMBERS)
def test_zero_is_refused_where_it_means_nothing(name, key):
    if key in MAY_BE_ZERO:
        work_out(name, {**SOUND[name], key: "0"})
        return
    with pytest.raises(ValueError, match=SENTENCE) as wrong:
        work_out(name, {**SOUND[name], key: "0"})
    assert one_sentence(wrong)


@pytest.mark.parametrize(("name", "key"), [(n, k) for n, k in NUMBERS if k not in MAY_BE_NEGATIVE])
@given(below=st.decimals(min_value="-1e9", max_value="-1e-6", allow_nan=False))
@settings(max_examples=FEWER)
def test_less_than_zero_is_refused(name, key, below):
    with pytest.raises(ValueError, match=SENTENCE) as wrong:
        work_out(name, {**SOUND[name], key: f"{below:f}"})
    assert one_sentence(wrong)


@pytest.mark.parametrize(("name", "key"), NUMBERS)
@pytest.mark.parametrize("text", ["nan", "inf", "-Infinity", "many", "1e", "--1"])
def test_what_is_no_number_is_refused(name, key, text):
    with pytest.raises(ValueError, match=key):
        work_out(name, {**SOUND[name], key: text})


# Beyond what the instrument or the formula can mean. A meter's own figures have no upper end here.
UNBOUNDED = {
    ("meter-accuracy", "reading"), ("meter-accuracy", "percent"), ("meter-accuracy", "counts"),
    ("meter-accuracy", "resolution"), ("decide", "value"), ("decide", "limit"), ("decide", "expanded_uncertainty"),
}  # fmt: skip


@pytest.mark.parametrize(("name", "key"), [pair for pair in NUMBERS if pair not in UNBOUNDED])
@given(beyond=st.decimals(min_value="1e8", max_value="1e12", allow_nan=False))
@settings(max_examples=FEWER)
def test_out_of_range_is_refused(name, key, beyond):
    with pytest.raises(ValueError, match=SENTENCE) as wrong:
        work_out(name, {**SOUND[name], key: f"{beyond:f}"})
    assert one_sentence(wrong)


@pytest.mark.parametrize("name", COMPUTATIONS)
def test_a_missing_input_is_named(name):
    first = next(iter(SOUND[name]))
    with pytest.raises(ValueError, match=first):
        work_out(name, {key: value for key, value in SOUND[name].items() if key != first})


def test_an_unknown_name_key_or_word_is_refused():
    with pytest.raises(ValueError, match="what can be"):
        work_out("horoscope", {})
    with pytest.raises(ValueError, match="takes no o3_percent"):
        work_out("co-air-free", {**SOUND["co-air-free"], "o3_percent": "1"})
    with pytest.raises(ValueError, match="fuel must be"):
        work_out("co2", {"o2_percent": "7", "fuel": "coal"})


def test_a_derate_names_its_convention_or_is_refused():
    values = {"input_btuh": "80000", "altitude_ft": "5000"}
    with pytest.raises(ValueError, match="convention"):
        work_out("altitude-derate", values)
    with pytest.raises(ValueError, match="4500"):
        work_out("altitude-derate", {**values, "convention": "canada"})
    for convention, said in (("above-2000", "above 2000 feet"), ("from-sea-level", "from sea level")):
        assert said in " ".join(work_out("altitude-derate", {**values, "convention": convention}).assumptions)


def test_a_heating_value_as_delivered_is_not_corrected_again():
    clocked = SOUND["input-rate"]
    worked = work_out("input-rate", clocked)
    assert worked == work_out("input-rate", {**clocked, "heating_value_basis": "as delivered"})
    assert "the heating value is as delivered" in " ".join(worked.assumptions)
    for key in ("pressure_inH2O", "altitude_ft", "temperature_degF"):
        with pytest.raises(ValueError, match=f"nothing is corrected again: leave out {key}, or say"):
            work_out("input-rate", {**clocked, key: "7"})
    with pytest.raises(ValueError, match="heating_value_basis must be"):
        work_out("input-rate", {**clocked, "heating_value_basis": "dry"})


def test_a_heating_value_at_standard_conditions_needs_the_pressure_and_altitude_of_the_metered_gas():
    clocked = {**SOUND["input-rate"], "heating_value_basis": "standard"}
    with pytest.raises(ValueError, match="also needs pressure_inH2O="):
        work_out("input-rate", {**clocked, "altitude_ft": "5000"})
    with pytest.raises(ValueError, match="also needs altitude_ft="):
        work_out("input-rate", {**clocked, "pressure_inH2O": "7"})
    worked = work_out("input-rate", {**clocked, "pressure_inH2O": "7", "altitude_ft": "5000"})
    assert "the heating value is at standard conditions: the metered volume is multiplied by" in worked.assumptions[-1]


def test_a_plate_that_is_for_the_altitude_is_not_derated_again():
    with pytest.raises(ValueError, match="not derated again"):
        work_out("altitude-derate", {**SOUND["altitude-derate"], "plate_basis": "altitude"})


def test_net_and_gross_are_told_apart():
    flue = SOUND["efficiency"]
    net, gross = (work_out("efficiency", {**flue, "basis": basis}) for basis in ("net", "gross"))
    assert net.value > gross.value
    assert "NET basis" in net.assumptions
    assert "GROSS basis" in gross.assumptions


def test_a_condensing_flue_is_refused():
    with pytest.raises(ValueError, match="condenses"):
        work_out("stack-loss", {**SOUND["stack-loss"], "flue_degC": "40"})


def test_uncertainty_follows_the_inputs():
    """U of CO air-free by differences agrees with the closed form: 23.5 of 390.9 ppm."""
    values = {"co_ppm": "260", "o2_percent": "7", "U_co_ppm": "15.0111", "U_o2_percent": "0.23094"}
    worked = work_out("co-air-free", values)
    assert abs(worked.expanded_uncertainty - Decimal("23.48")) < Decimal("0.02")
    assert work_out("co-air-free", SOUND["co-air-free"]).expanded_uncertainty is None
    with pytest.raises(ValueError, match="U_co_ppm"):
        work_out("co-air-free", {**values, "U_co_ppm": "-1"})


def test_the_igniter_is_never_judged_by_its_cold_resistance():
    assert "cold resistance does not give the running value" in " ".join(
        work_out("igniter-power", SOUND["igniter-power"]).assumptions
    )
