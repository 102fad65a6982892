"""Units of measurement: the names the project uses, how they are written and said, and conversion between them.

Only the names in `UNITS` are units here. A wider vocabulary would take a typing error in a data
file through as some other unit: to a general parser "pa" is a picoyear.

Values are `decimal.Decimal` from end to end (pint with ``non_int_type=Decimal``), so that a reading of 3.50
never becomes 3.4999.

Sources of the factors that are not exact by definition:

* inH2O is the conventional inch of water, 25.4 x 9.80665 Pa = 249.08891 Pa (published: NIST SP 811,
  appendix B.8, "inch of water, conventional", 2.490 889 E+02 Pa; water at 39.2 degF or 60 degF is up to
  0.1 % less).
* Btu is the International Table Btu, 1055.05585262 J (published: NIST SP 811, appendix B.8, note 9, and
  Btu_IT/h = 2.930 711 E-01 W).
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Context, Decimal
from functools import cache
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from pint import Unit, UnitRegistry

SIGNIFICANT_DIGITS = 6
"""Digits kept in a computed value: more than any field meter shows, fewer than the arithmetic can blur."""

_ABSOLUTE_ZERO_DIGITS = Decimal("1e-15")
"""A conversion through kelvin leaves dust in the 25th decimal; anything smaller than this is zero."""


@dataclass(frozen=True)
class Named:
    """How a unit is written and said, and how it is measured."""

    symbol: str
    one: str  # the words for one of it
    several: str
    measures: str
    # What people say, as JSGF, with tags that are not the unit's name; None: what the voice says; empty: nothing.
    heard: str | None = None
    # It is measured on a live circuit; or only on a dead one, with the gas shut.
    circuit: Literal["live", "dead"] | None = None


UNITS: dict[str, Named] = {
    "ohm": Named("ohm", "ohm", "ohms", "a resistance", heard="/9/ (ohm | ohms)", circuit="dead"),
    "kiloohm": Named("kohm", "kilohm", "kilohms", "a resistance", circuit="dead"),
    "megaohm": Named(
        "Mohm", "megohm", "megohms", "a resistance", heard="(megohm | megohms | /3/ meg | megs)", circuit="dead"
    ),
    "volt": Named(
        "V", "volt", "volts", "a voltage", heard="/9/ (/9/ volt | /9/ volts | a c | volts a c)", circuit="live"
    ),
    "millivolt": Named("mV", "millivolt", "millivolts", "a voltage", heard="/5/ (millivolt | millivolts)"),
    "ampere": Named("A", "amp", "amps", "a current", heard="/5/ (amp | amps)", circuit="live"),
    "milliampere": Named("mA", "milliamp", "milliamps", "a current", circuit="live"),
    "microampere": Named(
        "µA",
        "microamp",
        "microamps",
        "a current",
        heard="/5/ (microamp | microamps | micro amp | micro amps | mike amps | mikes | mike | mics | micro)",
        circuit="live",
    ),
    "inH2O": Named(
        "inH2O",
        "inch of water",
        "inches of water",
        "a pressure",
        heard="/9/ (inch | inches) {inH2O} | /3/ (inches of water | inch of water | inches water | inches w c"
        " | inches water column | inch water column | inches of water column"
        " | water column | w c)",
    ),
    "pascal": Named("Pa", "pascal", "pascals", "a pressure"),
    "kilopascal": Named("kPa", "kilopascal", "kilopascals", "a pressure"),
    "millibar": Named("mbar", "millibar", "millibar", "a pressure"),
    "psi": Named("psi", "P S I", "P S I", "a pressure", heard="(psi | pound | pounds)"),
    "degF": Named(
        "°F",
        "degree Fahrenheit",
        "degrees Fahrenheit",
        "a temperature",
        # "degrees" alone is the question's own
        heard="/9/ (degree | degrees) {degree}"
        " | /2/ (degrees fahrenheit | degree fahrenheit | degrees f | fahrenheit | f) {fahrenheit}",
    ),
    "degC": Named(
        "°C",
        "degree Celsius",
        "degrees Celsius",
        "a temperature",
        heard="/1/ (degrees celsius | degree celsius | degrees c | celsius | c) {celsius}",
    ),
    "delta_degF": Named("°F", "degree Fahrenheit", "degrees Fahrenheit", "a temperature rise", heard=""),
    "delta_degC": Named("°C", "degree Celsius", "degrees Celsius", "a temperature rise", heard=""),
    "percent": Named("%", "percent", "percent", "a percentage", heard="/9/ percent"),
    "ppm": Named(
        "ppm",
        "part per million",
        "parts per million",
        "a share in parts per million",
        heard="/5/ (/9/ parts | part | /5/ parts per million | part per million | ppm)",
    ),
    "second": Named("s", "second", "seconds", "a time", heard="/9/ (second | seconds)"),
    "dimensionless": Named("", "try", "tries", "a count", heard="(try | tries | time | times)"),
    "cubic_foot": Named("ft³", "cubic foot", "cubic feet", "a volume", heard="(foot | feet | cubic foot | cubic feet)"),
    "Btu_per_cubic_foot": Named(
        "Btu/ft³",
        "B T U a cubic foot",
        "B T U a cubic foot",
        "a heating value",
        heard="(btu | btu a cubic foot | btu per cubic foot)",
    ),
    "Btu_per_hour": Named(
        "Btu/h", "B T U per hour", "B T U per hour", "a heat rate", heard="/0.5/ (btu | btu per hour | btu an hour)"
    ),
    "kilowatt": Named("kW", "kilowatt", "kilowatts", "a heat rate", heard="/0.5/ (kilowatt | kilowatts)"),
    "cubic_foot_per_minute": Named(
        "ft³/min",
        "cubic foot per minute",
        "cubic feet per minute",
        "an air flow",
        heard="/0.5/ (cubic foot per minute | cubic feet per minute | cfm)",
    ),
}
"""Every unit of the project by its name in pint. `make docs` makes `grammars/units.jsgf` of it: each can be said."""

UNIT_SYMBOL: dict[str, str] = {name: unit.symbol for name, unit in UNITS.items()}
"""The symbol that each unit prints with."""


@cache
def _registry() -> UnitRegistry[Decimal]:
    """The one registry, built when something is first converted: with its import it takes about half a second."""
    from pint import UnitRegistry  # noqa: PLC0415 - see above

    registry: UnitRegistry[Decimal] = UnitRegistry(non_int_type=Decimal, on_redefinition="ignore")
    # pint's own Btu is ISO's rounded 1055.056 J.
    registry.define("british_thermal_unit = 1055.05585262 * joule = Btu = BTU = Btu_iso")
    registry.define("Btu_per_hour = Btu / hour")
    registry.define("cubic_foot_per_minute = cubic_foot / minute")
    registry.define("Btu_per_cubic_foot = Btu / cubic_foot")
    return registry


@cache
def _unit(name: str) -> Unit:
    check_unit(name)
    return _registry().parse_units(name)


def check_unit(name: str) -> str:
    """The name itself; refuses one that is not a unit of the project.

    Raises:
        ValueError: one sentence that names the unit.
    """
    if name not in UNITS:
        raise ValueError(f"{name!r} is not a known unit; the known units are {', '.join(UNITS)}.")
    return name


@cache
def same_dimension(a: str, b: str) -> bool:
    """Whether a value in unit `a` can be converted into unit `b`.

    A temperature (degF, degC) and a temperature difference (delta_degF, delta_degC) are not the same: 40 degF
    is 4.4 degC, but a rise of 40 delta_degF is one of 22.2 delta_degC. A count, a percentage and a share in parts
    per million are all plain numbers.

    Raises:
        ValueError: if either name is not a known unit.
    """
    kinds = {UNITS[check_unit(name)].measures for name in (a, b)}
    return len(kinds) == 1 or kinds <= _PLAIN_NUMBERS


_PLAIN_NUMBERS = {"a count", "a percentage", "a share in parts per million"}


def convert(value: Decimal, from_unit: str, to_unit: str) -> Decimal:
    """Convert `value` from one unit to another.

    Temperatures keep their offset (32 degF is 0 degC), temperature differences do not have one.
    The result has at most six significant digits and no trailing zeros; between equal units the value comes
    back untouched, digits as said.

    Raises:
        ValueError: if a unit is not known, the units measure different things, or the value is not finite.
    """
    if not value.is_finite():
        raise ValueError(f"A value of {value} cannot be converted from {from_unit} to {to_unit}.")
    if not same_dimension(from_unit, to_unit):
        raise ValueError(f"{from_unit} cannot be converted to {to_unit}: they measure different things.")
    if from_unit == to_unit:
        return value
    converted = _registry().Quantity(value, _unit(from_unit)).to(_unit(to_unit)).magnitude
    return round_significant(converted)


def round_significant(value: Decimal, digits: int = SIGNIFICANT_DIGITS) -> Decimal:
    """`value` to that many significant digits, half to even, without trailing zeros or exponent.

    Computed values are kept this way so that a record replays to the same bytes on every machine, whatever
    the last digit of its square roots.
    """
    if abs(value) < _ABSOLUTE_ZERO_DIGITS:
        return Decimal(0)
    rounded = Context(prec=digits).plus(value).normalize()
    return Decimal(f"{rounded:f}")  # written out: 1E+3 would print as such
