"""Gas: input by the meter, orifices, gas quality, altitude."""

import math
from decimal import Decimal

from assistant.trade.formulas.demand import demand, within
from assistant.trade.units import convert, round_significant

SECONDS_PER_HOUR = 3600


def gas_flow_ft3_h(dial_ft3: Decimal, seconds: Decimal) -> Decimal:
    """F1: gas flow in ft3/h from the time of one turn of the meter's test dial.

    ``3600 x dial_ft3 / seconds``. Every other appliance on the meter is off, pilots included.

    Source: published, distributor newsletter "Clocking a Gas Meter".

    Args:
        dial_ft3: gas that passed, in ft3: one turn of the dial, or turns x dial.
        seconds: the time that it took.

    Raises:
        ValueError: if a value is outside its range: above zero, at most 1000 of volume and a day.
    """
    return round_significant(_flow_per_hour(dial_ft3, seconds))


def input_rate_btu_h(dial_ft3: Decimal, seconds: Decimal, heating_value_btu_ft3: Decimal) -> Decimal:
    """F1: input rate in Btu/h, gross, from clocking the meter.

    ``3600 x dial_ft3 / seconds x heating_value_btu_ft3``. The heating value is the gas supplier's, gross, for
    gas at the conditions at which the meter counts ("as delivered"): at altitude it is lower already, so nothing is
    corrected. One for gas at standard conditions goes with the flow times `gas_volume_factor`; never both.

    Source: published, distributor newsletter "Clocking a Gas Meter".

    Raises:
        ValueError: if a value is outside its range.
    """
    _heating_value(heating_value_btu_ft3)
    return round_significant(_flow_per_hour(dial_ft3, seconds) * heating_value_btu_ft3)


def gas_flow_m3_h(volume_m3: Decimal, seconds: Decimal) -> Decimal:
    """F1, metric: gas flow in m3/h; ``3600 x volume_m3 / seconds``.

    Source: published, plumbing worked example (UK).

    Raises:
        ValueError: if a value is outside its range: above zero, at most 1000 of volume and a day.
    """
    return round_significant(_flow_per_hour(volume_m3, seconds))


def input_rate_kw(volume_m3: Decimal, seconds: Decimal, heating_value_mj_m3: Decimal) -> Decimal:
    """F1, metric: input rate in kW, gross; ``3600 x volume_m3 / seconds x heating_value_mj_m3 / 3.6``.

    The assumptions are those of `input_rate_btu_h`.

    Source: published, plumbing worked example (UK).

    Raises:
        ValueError: if a value is outside its range.
    """
    within("The heating value", heating_value_mj_m3, "MJ/m3", at_least=10, at_most=150)
    return round_significant(_flow_per_hour(volume_m3, seconds) * heating_value_mj_m3 / Decimal("3.6"))


def _flow_per_hour(volume: Decimal, seconds: Decimal) -> Decimal:
    within("The gas that passed", volume, "", above=0, at_most=1000)
    within("The time", seconds, "seconds", above=0, at_most=86400)
    return SECONDS_PER_HOUR * volume / seconds


def gas_volume_factor(pressure_inh2o: Decimal, altitude_ft: Decimal, temperature_degf: Decimal | None) -> Decimal:
    """F1c: what the flow by the meter is multiplied with to be that of gas at standard conditions.

    ``(P_atm + P_gas) / 14.73 x 519.67 / (t + 459.67)`` with ``P_atm = 14.73 - 0.0005 x feet`` in psi. On a
    temperature-compensated meter there is no temperature factor: give None.

    Source: published, Canada SOR/86-131 s. 37-38 (pressure equation and temperature multiplier, excerpt).

    Args:
        pressure_inh2o: gauge pressure of the metered gas, 0 to 60 inH2O.
        altitude_ft: feet above sea level, -2000 to 15 000.
        temperature_degf: of the gas in the meter, -40 to 140 degF, or None.

    Raises:
        ValueError: if a value is outside its range.
    """
    within("The gas pressure", pressure_inh2o, "inH2O", at_least=0, at_most=60)
    within("The altitude", altitude_ft, "feet", at_least=-2000, at_most=15000)
    base = Decimal("14.73")
    factor = (base - Decimal("0.0005") * altitude_ft + convert(pressure_inh2o, "inH2O", "psi")) / base
    if temperature_degf is not None:
        within("The gas temperature", temperature_degf, "degF", at_least=-40, at_most=140)
        factor *= Decimal("519.67") / (temperature_degf + Decimal("459.67"))
    return round_significant(factor)


# F8 to F10: orifices, manifold pressure, gas quality


def orifice_flow_ft3_h(
    diameter_in: Decimal, pressure_inh2o: Decimal, gravity: Decimal, coefficient: Decimal = Decimal("0.90")
) -> Decimal:
    """F8: gas through an orifice in ft3/h: ``1658.5 K A sqrt(h / gravity)``, A in square inches.

    Source: published, BCcampus / Industry Training Authority BC, Block E: Fuel Gas Systems (2023), Appendix 2
    (the values of its table); the constant from memory, verify.

    Args:
        diameter_in: of the hole, above 0 to 1 in.
        pressure_inh2o: manifold pressure, above 0 to 60 inH2O.
        gravity: specific gravity of the gas, 0.3 to 2.5.
        coefficient: of the orifice, 0.5 to 1; usually 0.85 to 0.90.

    Raises:
        ValueError: if a value is outside its range.
    """
    within("The orifice diameter", diameter_in, "in", above=0, at_most=1)
    within("The manifold pressure", pressure_inh2o, "inH2O", above=0, at_most=60)
    _gravity(gravity)
    within("The orifice coefficient", coefficient, "", at_least=Decimal("0.5"), at_most=1)
    area = Decimal(repr(math.pi)) * diameter_in**2 / 4
    return round_significant(Decimal("1658.5") * coefficient * area * (pressure_inh2o / gravity).sqrt())


def manifold_for_rate_inh2o(rate_btu_h: Decimal, pressure_inh2o: Decimal, target_btu_h: Decimal) -> Decimal:
    """F9: the manifold pressure at which the rate would be the target: ``h (target / rate) ** 2``.

    The plate's manifold band comes first: a rate that is wrong inside it is mended at the orifice.

    Source: derived from the orifice equation (F8).

    Raises:
        ValueError: if a value is outside its range, or the change is so large that the pressure is not the cause.
    """
    _rate("The measured rate", rate_btu_h)
    _rate("The target rate", target_btu_h)
    within("The manifold pressure", pressure_inh2o, "inH2O", above=0, at_most=60)
    ratio = target_btu_h / rate_btu_h
    within(
        "The target over the measured rate", round_significant(ratio), "", at_least=Decimal("0.5"), at_most=2
    )  # beyond that the orifice or the gas is wrong (common practice)
    return round_significant(pressure_inh2o * ratio**2)


def wobbe_btu_ft3(heating_value_btu_ft3: Decimal, gravity: Decimal) -> Decimal:
    """F10: Wobbe index in Btu/ft3: ``heating value / sqrt(gravity)``, gross.

    Source: published, web page on the Wobbe number (sizes.com).

    Raises:
        ValueError: if the heating value is outside 300 to 4000 Btu/ft3 or the gravity outside 0.3 to 2.5.
    """
    _heating_value(heating_value_btu_ft3)
    _gravity(gravity)
    return round_significant(heating_value_btu_ft3 / gravity.sqrt())


def wrong_gas_ratio(
    wobbe_is: Decimal, pressure_is_inh2o: Decimal, wobbe_meant: Decimal, pressure_meant_inh2o: Decimal
) -> Decimal:
    """F10a: input over the input meant, through the same orifice: the ratio of Wobbe x sqrt(pressure).

    Propane at 10 inH2O in a burner for natural gas at 3.5 inH2O gives about 2.6 times the input: stop at once.

    Source: derived from the orifice equation (F8).

    Raises:
        ValueError: if a value is outside its range.
    """
    for name, wobbe in (("The Wobbe index of the gas", wobbe_is), ("The Wobbe index meant", wobbe_meant)):
        within(name, wobbe, "Btu/ft3", at_least=300, at_most=5000)
    for name, pressure in (("The pressure", pressure_is_inh2o), ("The pressure meant", pressure_meant_inh2o)):
        within(name, pressure, "inH2O", above=0, at_most=60)
    return round_significant(wobbe_is / wobbe_meant * (pressure_is_inh2o / pressure_meant_inh2o).sqrt())


# F11: altitude

DERATE_CONVENTIONS: dict[str, str] = {
    # from memory, verify: IFGC and NFPA 54; a makers' table head read agrees
    "from-sea-level": "above 2000 feet, 4 percent for each 1000 feet counted from sea level",
    # published: retailer's altitude article (70 400 Btu/h of 80 000 at 5000 feet)
    "above-2000": "4 percent for each 1000 feet above 2000 feet",
    # published: a furnace maker's installation manual (fan-assisted units)
    "fan-assisted": "above 2000 feet, 2 percent for each 1000 feet counted from sea level",
    # published: a furnace maker's installation manual, Canada, 2000 to 4500 feet
    "canada": "10 percent between 2000 and 4500 feet",
}
"""How much less input at altitude: authorities differ, so it is asked which. The plate or a table of the maker
comes first, and a rate that is already for the altitude is never derated again."""


def altitude_derated_btu_h(input_btu_h: Decimal, altitude_ft: Decimal, convention: str) -> Decimal:
    """F11: the sea-level input of a plate, derated for the altitude by one of `DERATE_CONVENTIONS`, in Btu/h.

    Source: beside each convention.

    Raises:
        ValueError: if the convention is not known, the altitude is outside -2000 to 10 000 ft, or outside what
            the convention covers.
    """
    _rate("The input", input_btu_h)
    within("The altitude", altitude_ft, "feet", at_least=-2000, at_most=10000)
    demand(
        convention in DERATE_CONVENTIONS,
        f"Say which convention: {', '.join(DERATE_CONVENTIONS)}; they differ, and the plate or the maker decides.",
    )
    if altitude_ft <= 2000:
        return round_significant(input_btu_h)
    demand(
        convention != "canada" or altitude_ft <= 4500,
        "This convention ends at 4500 feet; above it the maker's table or the authority decides.",
    )
    thousands = altitude_ft / 1000
    percent = {
        "from-sea-level": 4 * thousands,
        "above-2000": 4 * (thousands - 2),
        "fan-assisted": 2 * thousands,
        "canada": Decimal(10),
    }[convention]
    return round_significant(input_btu_h * (100 - percent) / 100)


def _gravity(gravity: Decimal) -> None:
    within("The specific gravity", gravity, "", at_least=Decimal("0.3"), at_most=Decimal("2.5"))


def _heating_value(value: Decimal) -> None:
    within("The heating value", value, "Btu/ft3", at_least=300, at_most=4000)


def _rate(what: str, value: Decimal) -> None:
    within(what, value, "Btu/h", above=0, at_most=10_000_000)
