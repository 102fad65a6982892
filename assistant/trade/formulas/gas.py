"""Gas: input by the meter, orifices, gas quality, altitude."""

import math
from decimal import Decimal

from assistant.trade.formulas.demand import demand, within
from assistant.trade.units import convert, round_significant

SECONDS_PER_HOUR = 3600


def input_rate_btu_h(
    dial_ft3: Decimal,
    seconds: Decimal,
    heating_value: Decimal,
    heating_value_basis: str = "as delivered",
    pressure_inh2o: Decimal | None = None,
    altitude_ft: Decimal | None = None,
    temperature_degf: Decimal | None = None,
) -> Decimal:
    """F1: input rate in Btu/h, gross, from clocking the meter.

    ``3600 x dial_ft3 / seconds x heating_value``. Every other appliance on the meter is off, pilots included. The
    heating value is the gas supplier's, gross, in Btu/ft3. For gas at the conditions at which the meter counts ("as
    delivered") it is lower at altitude already, so nothing is corrected; one for gas at standard conditions
    ("standard") goes with the flow times `metered_volume_factor`; never both.

    Args:
        dial_ft3: gas that passed, in ft3: one turn of the dial, or turns x dial.
        seconds: the time that it took.
        heating_value: in Btu/ft3.
        heating_value_basis: "as delivered" or "standard".
        pressure_inh2o, altitude_ft, temperature_degf: as in `metered_volume_factor`.
    """
    factor = metered_volume_factor(heating_value_basis, pressure_inh2o, altitude_ft, temperature_degf)
    _heating_value(heating_value)
    return round_significant(round_significant(_flow_per_hour(dial_ft3, seconds) * heating_value) * factor)


def metered_volume_factor(
    heating_value_basis: str,
    pressure_inh2o: Decimal | None = None,
    altitude_ft: Decimal | None = None,
    temperature_degf: Decimal | None = None,
) -> Decimal:
    """F1c: what the metered volume is multiplied by for a heating value on this basis: 1 where it is as delivered.

    Raises:
        ValueError: if a value is outside its range, would correct a heating value as delivered, or lacks for a
            standard one.
    """
    given = {"pressure_inH2O": pressure_inh2o, "altitude_ft": altitude_ft, "temperature_degF": temperature_degf}
    factor = gas_volume_factor(pressure_inh2o or Decimal(0), altitude_ft or Decimal(0), temperature_degf)
    if heating_value_basis == "as delivered":
        over = [key for key, value in given.items() if value is not None]
        demand(
            not over,
            "A heating value as delivered is of the gas as the meter counts it, so nothing is corrected again: leave "
            f"out {' and '.join(over)}, or say heating_value_basis=standard.",
        )
        return Decimal(1)
    for key in ("pressure_inH2O", "altitude_ft"):
        needs = f"A heating value at standard conditions also needs {key}=, for the gas in the meter."
        demand(given[key] is not None, needs)
    return factor


def input_rate_kw(volume_m3: Decimal, seconds: Decimal, heating_value_mj_m3: Decimal) -> Decimal:
    """F1, metric: input rate in kW, gross; ``3600 x volume_m3 / seconds x heating_value_mj_m3 / 3.6``.

    The assumptions are those of `input_rate_btu_h`.
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
    """F8: gas through an orifice in ft3/h: ``1658.5 K A sqrt(h / gravity)``, A in square inches."""
    within("The orifice diameter", diameter_in, "in", above=0, at_most=1)
    within("The manifold pressure", pressure_inh2o, "inH2O", above=0, at_most=60)
    _gravity(gravity)
    within("The orifice coefficient", coefficient, "", at_least=Decimal("0.5"), at_most=1)
    area = Decimal(repr(math.pi)) * diameter_in**2 / 4
    return round_significant(Decimal("1658.5") * coefficient * area * (pressure_inh2o / gravity).sqrt())


def manifold_for_rate_inh2o(rate_btuh: Decimal, pressure_inh2o: Decimal, target_btuh: Decimal) -> Decimal:
    """F9: the manifold pressure at which the rate would be the target: ``h (target / rate) ** 2``.

    The plate's manifold band comes first: a rate that is wrong inside it is mended at the orifice.

    Raises:
        ValueError: if a value is outside its range, or the change is so large that the pressure is not the cause.
    """
    _rate("The measured rate", rate_btuh)
    _rate("The target rate", target_btuh)
    within("The manifold pressure", pressure_inh2o, "inH2O", above=0, at_most=60)
    ratio = target_btuh / rate_btuh
    within(
        "The target over the measured rate", round_significant(ratio), "", at_least=Decimal("0.5"), at_most=2
    )  # beyond that the orifice or the gas is wrong (common practice)
    return round_significant(pressure_inh2o * ratio**2)


def wobbe_btu_ft3(heating_value: Decimal, gravity: Decimal) -> Decimal:
    """F10: Wobbe index in Btu/ft3: ``heating value / sqrt(gravity)``, gross."""
    _heating_value(heating_value)
    _gravity(gravity)
    return round_significant(heating_value / gravity.sqrt())


def wrong_gas_ratio(
    wobbe: Decimal, pressure_inh2o: Decimal, wobbe_meant: Decimal, pressure_meant_inh2o: Decimal
) -> Decimal:
    """F10a: input over the input meant, through the same orifice: the ratio of Wobbe x sqrt(pressure).

    Propane at 10 inH2O in a burner for natural gas at 3.5 inH2O gives about 2.6 times the input: stop at once.
    """
    for name, index in (("The Wobbe index of the gas", wobbe), ("The Wobbe index meant", wobbe_meant)):
        within(name, index, "Btu/ft3", at_least=300, at_most=5000)
    for name, pressure in (("The pressure", pressure_inh2o), ("The pressure meant", pressure_meant_inh2o)):
        within(name, pressure, "inH2O", above=0, at_most=60)
    return round_significant(wobbe / wobbe_meant * (pressure_inh2o / pressure_meant_inh2o).sqrt())


def inlet_drop_inh2o(standing_inh2o: Decimal, running_inh2o: Decimal) -> Decimal:
    """Inlet pressure drop from burner off to full fire in inH2O: ``standing - running``, exact."""
    within("The standing pressure", standing_inh2o, "inH2O", at_least=-1000, at_most=1000)
    within("The running pressure", running_inh2o, "inH2O", at_least=-1000, at_most=1000)
    return standing_inh2o - running_inh2o


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


def altitude_derated_btu_h(
    input_btuh: Decimal, altitude_ft: Decimal, convention: str, plate_basis: str = "sea level"
) -> Decimal:
    """F11: the sea-level input of a plate, derated for the altitude by one of `DERATE_CONVENTIONS`, in Btu/h.

    Args:
        input_btuh: of the plate.
        altitude_ft: feet above sea level.
        convention: in `DERATE_CONVENTIONS`.
        plate_basis: what the plate's input is for: "sea level", or "altitude" where it is for this one already.

    Raises:
        ValueError: if the plate's input is for the altitude, the convention is not known, or the altitude is outside
            -2000 to 10 000 ft or what the convention covers.
    """
    demand(plate_basis == "sea level", "The plate's input is for the altitude already, so it is not derated again.")
    _rate("The input", input_btuh)
    within("The altitude", altitude_ft, "feet", at_least=-2000, at_most=10000)
    demand(
        convention in DERATE_CONVENTIONS,
        f"Say which convention: {', '.join(DERATE_CONVENTIONS)}; they differ, and the plate or the maker decides.",
    )
    if altitude_ft <= 2000:
        return round_significant(input_btuh)
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
    return round_significant(input_btuh * (100 - percent) / 100)


def _gravity(gravity: Decimal) -> None:
    within("The specific gravity", gravity, "", at_least=Decimal("0.3"), at_most=Decimal("2.5"))


def _heating_value(value: Decimal) -> None:
    within("The heating value", value, "Btu/ft3", at_least=300, at_most=4000)


def _rate(what: str, value: Decimal) -> None:
    within(what, value, "Btu/h", above=0, at_most=10_000_000)
