"""Units of measurement: the names the project uses, how they print, and conversion between them.

Only the names in `UNIT_SYMBOL` are units here. A wider vocabulary would let a slip of the pen in a data
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

from decimal import Context, Decimal
from functools import cache

from pint import Unit, UnitRegistry

SIGNIFICANT_DIGITS = 6
"""Digits kept in a computed value: more than any field meter shows, fewer than the arithmetic can blur."""

_ABSOLUTE_ZERO_DIGITS = Decimal("1e-15")
"""A conversion through kelvin leaves dust in the 25th decimal; anything smaller than this is zero."""

UNIT_SYMBOL: dict[str, str] = {
    "ohm": "ohm",
    "kiloohm": "kohm",
    "megaohm": "Mohm",
    "volt": "V",
    "millivolt": "mV",
    "ampere": "A",
    "milliampere": "mA",
    "microampere": "µA",
    "inH2O": "inH2O",
    "pascal": "Pa",
    "kilopascal": "kPa",
    "millibar": "mbar",
    "psi": "psi",
    "degF": "°F",
    "degC": "°C",
    "delta_degF": "°F",
    "delta_degC": "°C",
    "percent": "%",
    "ppm": "ppm",
    "second": "s",
    "minute": "min",
    "hour": "h",
    "hertz": "Hz",
    "foot": "ft",
    "meter": "m",
    "Btu_per_hour": "Btu/h",
    "Btu/hour": "Btu/h",
    "watt": "W",
    "kilowatt": "kW",
    "cubic_foot": "ft³",
    "cubic_meter": "m³",
    "cubic_foot_per_hour": "ft³/h",
    "cubic_foot_per_minute": "ft³/min",
    "cubic_meter_per_hour": "m³/h",
    "Btu_per_cubic_foot": "Btu/ft³",
    "megajoule_per_cubic_meter": "MJ/m³",
    "dimensionless": "",
}
"""Every unit name of the project and the symbol it prints with."""


@cache
def _registry() -> UnitRegistry[Decimal]:
    """The one registry, built when first needed: building it takes about 0.2 s."""
    registry: UnitRegistry[Decimal] = UnitRegistry(non_int_type=Decimal, on_redefinition="ignore")
    # pint's own Btu is ISO's rounded 1055.056 J.
    registry.define("british_thermal_unit = 1055.05585262 * joule = Btu = BTU = Btu_iso")
    registry.define("cubic_meter = meter ** 3")
    registry.define("Btu_per_hour = Btu / hour")
    registry.define("cubic_foot_per_hour = cubic_foot / hour")
    registry.define("cubic_foot_per_minute = cubic_foot / minute")
    registry.define("cubic_meter_per_hour = cubic_meter / hour")
    registry.define("Btu_per_cubic_foot = Btu / cubic_foot")
    registry.define("megajoule_per_cubic_meter = megajoule / cubic_meter")
    return registry


@cache
def _unit(name: str) -> Unit:
    check_unit(name)
    return _registry().parse_units(name)


def check_unit(name: str) -> None:
    """Refuse a name that is not a unit of the project.

    Raises:
        ValueError: one sentence that names the unit.
    """
    if name not in UNIT_SYMBOL:
        raise ValueError(f"{name!r} is not a known unit; the known units are {', '.join(UNIT_SYMBOL)}.")


def same_dimension(a: str, b: str) -> bool:
    """Whether a value in unit `a` can be converted into unit `b`.

    A temperature (degF, degC) and a temperature difference (delta_degF, delta_degC) are not the same: 40 degF
    is 4.4 degC, but a rise of 40 delta_degF is one of 22.2 delta_degC. Energy per volume and pressure are the
    same by dimension; nothing in the project converts between them.

    Raises:
        ValueError: if either name is not a known unit.
    """
    return _unit(a).dimensionality == _unit(b).dimensionality and _is_temperature(a) == _is_temperature(b)


def _is_temperature(name: str) -> bool:
    return name in ("degF", "degC")


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
