"""Units: the closed vocabulary, exact decimals, temperatures with and without offset."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.trade.units import UNITS, check_unit, convert, round_significant, same_dimension


@pytest.mark.parametrize("name", UNITS)
def test_every_unit_is_known_and_converts(name):
    check_unit(name)
    assert convert(Decimal("3.50"), name, name) == Decimal("3.50")
    assert same_dimension(name, name)


def test_units_that_differ_print_differently_unless_one_is_a_difference():
    symbols = [unit.symbol for name, unit in UNITS.items() if not name.startswith("delta_")]
    assert len(set(symbols)) == len(symbols)


@pytest.mark.parametrize("name", ["", "pa", "Ohm", "furlong", "hertz", "2 * volt", "volt/", "inches"])
def test_unknown_unit_is_refused_in_one_sentence_that_names_it(name):
    # "pa" and "furlong" are units to pint (a picoyear, a length): the vocabulary is closed on purpose.
    with pytest.raises(ValueError, match="is not a known unit") as refusal:
        check_unit(name)
    assert repr(name) in str(refusal.value)
    with pytest.raises(ValueError, match="is not a known unit"):
        convert(Decimal(1), name, "volt")


@pytest.mark.parametrize(
    ("value", "from_unit", "to_unit", "expected"),
    [
        # exact by the definition of the prefix or unit
        ("1.5", "kiloohm", "ohm", "1500"),
        ("0.5", "megaohm", "kiloohm", "500"),
        ("1.5", "microampere", "milliampere", "0.0015"),
        ("400", "ppm", "percent", "0.04"),
        ("2.49", "kilopascal", "millibar", "24.9"),
        # temperatures: offset; exact by the definition of the scales
        ("32", "degF", "degC", "0"),
        ("212", "degF", "degC", "100"),
        ("-40", "degC", "degF", "-40"),
        ("70", "degF", "degC", "21.1111"),
        # temperature differences: no offset
        ("18", "delta_degF", "delta_degC", "10"),
        ("25", "delta_degC", "delta_degF", "45"),
        ("0", "delta_degF", "delta_degC", "0"),
    ],
)
def test_conversion(value, from_unit, to_unit, expected):
    result = convert(Decimal(value), from_unit, to_unit)
    assert str(result) == expected


def test_equal_units_leave_the_digits_as_said():
    assert str(convert(Decimal("3.5000000000"), "inH2O", "inH2O")) == "3.5000000000"


@pytest.mark.parametrize(
    ("a", "b", "same"),
    [
        ("inH2O", "psi", True),
        ("Btu_per_hour", "kilowatt", True),
        ("percent", "ppm", True),
        ("degF", "degC", True),
        ("degF", "delta_degF", False),
        ("delta_degC", "degC", False),
        ("ohm", "volt", False),
        ("cubic_foot", "cubic_foot_per_minute", False),
    ],
)
def test_same_dimension(a, b, same):
    assert same_dimension(a, b) is same
    assert same_dimension(b, a) is same
    if not same:
        with pytest.raises(ValueError, match="measure different things"):
            convert(Decimal(1), a, b)


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity"])
def test_a_value_that_is_no_number_is_refused(value):
    with pytest.raises(ValueError, match="cannot be converted"):
        convert(Decimal(value), "volt", "millivolt")


readings = st.decimals(min_value="0.01", max_value="9999", places=2)


@given(
    readings,
    st.sampled_from([("inH2O", "pascal"), ("degF", "degC"), ("Btu_per_hour", "kilowatt"), ("psi", "millibar")]),
)
def test_there_and_back(value, units):
    a, b = units
    back = convert(convert(value, a, b), b, a)
    # Six digits each way; near 0 degC the offset costs digits, so a floor of 1e-4.
    assert abs(back - value) <= max(abs(value) * Decimal("2e-5"), Decimal("1e-3"))


@given(st.decimals(min_value=-(10**9), max_value=10**9, allow_nan=False))
def test_rounding_keeps_six_digits_and_plain_notation(value):
    rounded = round_significant(value)
    assert abs(rounded - value) <= max(abs(value) * Decimal("5e-6"), Decimal("1e-15"))
    plain = f"{rounded:f}"
    assert len(plain.replace(".", "").strip("-0")) <= 6
    assert not (plain.endswith("0") and "." in plain)
    if abs(rounded) >= 1:
        assert str(rounded) == plain
