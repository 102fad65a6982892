"""Electrical: what an igniter draws, and what a thermocouple gives."""

import math
from decimal import Decimal

from assistant.trade.formulas.demand import within
from assistant.trade.units import round_significant

# F7: igniter


def igniter_current_a(volts: Decimal, ohms: Decimal) -> Decimal:
    """F7: current in amperes by Ohm's law, ``volts / ohms``.

    The resistance is that of the moment: a cold resistance gives neither the running current nor the running
    power, for an igniter's resistance changes severalfold as it heats. The part's sheet rules.
    """
    _supply(volts, ohms)
    return round_significant(volts / ohms)


def igniter_power_w(volts: Decimal, ohms: Decimal) -> Decimal:
    """F7: power in watts, ``volts ** 2 / ohms``; with the caution of `igniter_current_a`."""
    _supply(volts, ohms)
    return round_significant(volts**2 / ohms)


def _supply(volts: Decimal, ohms: Decimal) -> None:
    within("The voltage", volts, "volts", above=0, at_most=300)
    within("The resistance", ohms, "ohms", above=0, at_most=100_000)


# F13: thermocouple type K

# published: NIST ITS-90 Thermocouple Database (NIST Standard Reference Database 60), type K, mV and degC
_BELOW_ZERO = (
    0.0,
    0.394501280250e-1,
    0.236223735980e-4,
    -0.328589067840e-6,
    -0.499048287770e-8,
    -0.675090591730e-10,
    -0.574103274280e-12,
    -0.310888728940e-14,
    -0.104516093650e-16,
    -0.198892668780e-19,
    -0.163226974860e-22,
)
_ABOVE_ZERO = (
    -0.176004136860e-1,
    0.389212049750e-1,
    0.185587700320e-4,
    -0.994575928740e-7,
    0.318409457190e-9,
    -0.560728448890e-12,
    0.560750590590e-15,
    -0.320207200030e-18,
    0.971511471520e-22,
    -0.121047212750e-25,
)
_BUMP = (0.1185976, -0.1183432e-3, 126.9686)


def type_k_emf_mv(temperature_degc: Decimal) -> Decimal:
    """F13: emf of a type K thermocouple in mV, its other junction at 0 degC.

    A sum of powers of the temperature, above zero with an exponential besides.
    """
    within("The temperature", temperature_degc, "degC", at_least=-270, at_most=1372)
    t = float(temperature_degc)
    coefficients = _BELOW_ZERO if t < 0 else _ABOVE_ZERO
    emf = math.fsum(c * t**power for power, c in enumerate(coefficients))
    if t >= 0:
        a, b, centre = _BUMP
        emf += a * math.exp(b * (t - centre) ** 2)
    return round_significant(round(Decimal(repr(emf)), 6))  # a nanovolt is less than the coefficients can tell


def class_2_tolerance_degc(temperature_degc: Decimal) -> Decimal:
    """F13a: what a class 2 type K probe may be off by, in degC: 2.5, or 0.0075 of the temperature where more."""
    within("The temperature", temperature_degc, "degC", at_least=-40, at_most=1200)
    return max(Decimal("2.5"), round_significant(Decimal("0.0075") * abs(temperature_degc)))
