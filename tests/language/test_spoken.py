"""Values as words, and back."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.files import library
from assistant.language.meaning import Question, Reading
from assistant.language.spoken import spoken_number, spoken_unit, spoken_value
from assistant.trade.quantities import Overload, Quantity
from assistant.trade.units import UNITS


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        ("120", "volt", "one, two, zero volts"),
        ("-0.02", "inH2O", "minus, zero, point, zero, two inches of water"),
        ("118.0", "volt", "one, one, eight, point, zero volts"),
        ("1", "ohm", "one ohm"),
        ("9", "ppm", "nine parts per million"),
    ],
)
def test_a_value_is_said_digit_by_digit(value, unit, said):
    assert spoken_value(Decimal(value), unit) == said


def test_an_overload_is_never_a_number():
    assert "open" in spoken_value(Overload.OPEN, "ohm")
    assert "over range" in spoken_value(Overload.OVER_RANGE, "volt")


@given(
    st.sampled_from(sorted(library().quantities)),
    st.decimals(min_value=-60, max_value=600, places=2),
    st.integers(min_value=0, max_value=2),
)
def test_what_is_said_is_understood_as_the_same_value(name, value, places):
    quantity = library().quantities[name]
    value = value.quantize(Decimal(1).scaleb(-places))
    if not quantity.low <= value <= quantity.high or value.is_zero():
        return
    said = spoken_value(value, quantity.unit)
    meaning = library().language.understand(said, Question(name, quantity))
    if isinstance(meaning, Reading):
        assert (str(meaning.value), meaning.unit) == (f"{value:f}", quantity.unit), said
    else:  # two bare digits may be a pair with its point left out; then every choice is offered
        assert str(value) in meaning.choices, (said, meaning)


def asked_in(unit: str) -> Question:
    """An invented question for a value in a unit."""
    return Question("it", Quantity(name="it", spoken="it", unit=unit, low=-60, high=600, resolution=1))


@pytest.mark.parametrize("value", [Decimal(1), Decimal(2)])
@pytest.mark.parametrize("unit", UNITS)
def test_every_unit_is_said_as_the_grammar_has_it(language, unit, value):
    said = f"{spoken_number(value)} {spoken_unit(unit, value)}"
    assert language.understand(said, asked_in(unit)) == Reading(value, unit)
    assert spoken_value(value, unit)


def test_every_unit_of_the_grammar_is_a_unit_of_the_project(language):
    for words in language.grammar.sentences("unit"):
        meanings = (language.understand(f"two {words}", asked_in(unit)) for unit in UNITS)
        assert any(isinstance(m, Reading) and m.unit in UNITS for m in meanings), words
