"""Readings as texts for the benches: as a visit holds them, of rare forms too, and single words."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from assistant.files import library
from assistant.language.meaning import Question, Reading
from assistant.trade import units

# What technicians read, common practice (no source): from, to, digits after the point. Of no other use than to draw
# readings to be said: they are no limits.
TYPICAL: dict[str, tuple[float, float, int]] = {
    "line-voltage": (110, 128, 1),
    "transformer-voltage": (22, 29, 1),
    "neutral-to-ground": (0.1, 3, 1),
    "ground-resistance": (0.1, 2, 1),
    "igniter-resistance": (11, 200, 0),
    "burner-ground-resistance": (0.1, 2, 1),
    "limit-switch-resistance": (0, 1, 1),
    "igniter-voltage": (75, 125, 0),
    "igniter-current": (1, 6, 1),
    "flame-signal": (0.4, 8, 1),
    "thermocouple-millivolts": (15, 35, 0),
    "thermopile-millivolts": (300, 750, 0),
    "inlet-pressure": (4, 14, 1),
    "manifold-pressure": (2.5, 11, 1),
    "draft": (-0.1, -0.01, 2),
    "static-pressure": (0.1, 1, 2),
    "supply-temperature": (90, 160, 0),
    "return-temperature": (60, 75, 0),
    "temperature-rise": (30, 70, 0),
    "flue-temperature": (280, 550, 0),
    "flue-oxygen": (4, 12, 1),
    "flue-co": (0, 400, 0),
    "ambient-co": (0, 35, 0),
    "meter-dial-seconds": (20, 120, 0),
    "warm-up-time": (10, 60, 0),
    "trial-for-ignition": (2, 8, 1),
    "pre-purge-time": (15, 45, 0),
    "flame-failure-response": (0.5, 3, 1),
    "ignition-trials": (1, 5, 0),
}
UNITS = {
    "volt": ["volts"], "ohm": ["ohms"], "ampere": ["amps"], "microampere": ["microamps"], "millivolt": ["millivolts"],
    "inH2O": ["inches", "inches water column"], "degF": ["degrees"], "delta_degF": ["degrees"],
    "percent": ["percent"], "ppm": ["ppm", "parts per million"], "second": ["seconds"], "dimensionless": ["tries"],
}  # fmt: skip
DIGITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
TEENS = ["ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"]
TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
SPELLED = 0.15  # share of whole numbers that are said digit by digit
PAIRED = 0.4  # of three-digit ones, as "one twenty"
WITH_UNIT = 0.6


def visit_readings(count: int, draw: Random) -> Iterator[tuple[str, str]]:
    """(words, quantity) of readings that a visit holds; none that its words leave open."""
    shelf, names = library(), list(TYPICAL)
    found = 0
    while found < count:
        name = names[found % len(names)]
        quantity = shelf.quantities[name]
        text = _said(name, draw)
        meaning = shelf.language.understand(text, Question(name, quantity))
        if isinstance(meaning, Reading):
            found += 1
            yield text, name


def _said(name: str, draw: Random) -> str:
    quantity = library().quantities[name]
    if quantity.overload == "open" and draw.random() < 0.2:
        return draw.choice(["open", "o l", "open line"])
    low, high, places = TYPICAL[name]
    value = draw.uniform(low, high)
    whole, _, part = f"{abs(value):.{places}f}".partition(".")
    words = [*(["minus"] if value < 0 else []), *(_whole(int(whole), draw) if int(whole) or not part else [])]
    if int(whole) == 0 and part and draw.random() < 0.5:
        words.append(draw.choice(["zero", "oh"]))
    if part and (int(part) or not int(whole)):
        words += ["point", *(DIGITS[int(d)] for d in part)]
    if draw.random() < WITH_UNIT:
        words.append(draw.choice(UNITS[quantity.unit]))
    return " ".join(words)


def _whole(value: int, draw: Random) -> list[str]:
    digits = [DIGITS[int(d)] for d in str(value)]
    if value > 9 and draw.random() < SPELLED:
        return digits
    if 100 < value < 1000 and value % 100 and draw.random() < PAIRED:
        rest = _words(value % 100) if value % 100 > 9 else ["oh", DIGITS[value % 10]]
        return [DIGITS[value // 100], *rest]
    return _words(value)


def _words(value: int) -> list[str]:
    """A whole number below a thousand in full."""
    if value >= 100:
        return [DIGITS[value // 100], "hundred", *(_words(value % 100) if value % 100 else [])]
    if value >= 20:
        return [TENS[value // 10 - 2], *([DIGITS[value % 10]] if value % 10 else [])]
    return [TEENS[value - 10] if value >= 10 else DIGITS[value]]


def rare_readings(count: int, draw: Random) -> Iterator[tuple[str, str]]:
    """(words, quantity) of readings drawn from the grammars, one quantity after another: every form, rare ones too."""
    shelf = library()
    quantities = list(shelf.quantities.values())
    found = 0
    while found < count:
        quantity = quantities[found % len(quantities)]
        said = " ".join(shelf.grammar.sample("reading", draw.random).words)
        meaning = shelf.language.understand(said, Question(quantity.name, quantity))
        if isinstance(meaning, Reading) and same_kind(meaning.unit, quantity.unit):
            found += 1
            yield said, quantity.name


def same_kind(one: str, other: str) -> bool:
    """Whether a reading in one unit answers a question for the other: a rise is asked in differences of degrees."""
    return units.same_dimension(one, other) and one.startswith("delta") == other.startswith("delta")
