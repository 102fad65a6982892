"""Values and units as words for the voice: digit by digit, nothing left out.

A listener catches a wrong digit only when each is said (SPEECH 4.3), so 120 is "one two zero", the sign and
the point are always voiced, and a trailing zero is said because it was said.
"""

from __future__ import annotations

import re
from decimal import Decimal

from assistant.trade.quantities import Overload
from assistant.trade.units import UNITS

_DIGITS = {
    "0": "zero",
    "1": "one",
    "2": "two",
    "3": "three",
    "4": "four",
    "5": "five",
    "6": "six",
    "7": "seven",
    "8": "eight",
    "9": "nine",
    ".": "point",
    "-": "minus",
}


def spoken_number(value: Decimal, pause: str = " ") -> str:
    """The digits of `value` as words, one by one: Decimal("-0.02") is "minus zero point zero two".

    pause: what stands between them; a comma makes the voice stop for a moment.
    """
    return pause.join(_DIGITS[character] for character in f"{value:f}")


def spoken_unit(unit: str, value: Decimal | None = None) -> str:
    """The unit as words, in the number that fits `value`."""
    named = UNITS[unit]
    return named.one if value is not None and abs(value) == 1 else named.several


def spoken_value(value: Decimal | Overload, unit: str) -> str:
    """A value with its unit as words, for the read-back: a pause after each digit, since errors that run on are
    not noticed (SPEECH 4.3: a pause between words helps)."""
    if value is Overload.OPEN:
        return "open, O L"
    if value is Overload.OVER_RANGE:
        return "over range, O L"
    return f"{spoken_number(value, ', ')} {spoken_unit(unit, value)}"


def spoken_characters(text: str) -> str:
    """Letters and digits one by one, for the head of a record."""
    return ", ".join(_DIGITS.get(character, character.upper()) for character in text)


def figures_said(text: str) -> str:
    """Typed words with their figures as they are said, digit by digit: "3.5 inches" is "three point five inches"."""
    return FIGURE.sub(lambda figure: spoken_number(Decimal(figure[0].replace(",", ""))), text)


FIGURE = re.compile(r"(?<![\w.,])-?\d+(?:,\d{3})*(?:\.\d+)?(?![.,]?\d)")
