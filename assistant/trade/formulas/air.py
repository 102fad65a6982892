"""Air: temperature rise and airflow."""

from decimal import Decimal

from assistant.trade.formulas.demand import demand, within
from assistant.trade.units import round_significant

SENSIBLE_HEAT_FACTOR = Decimal("1.08")
"""Btu/h per (ft3/min x delta_degF): 60 min/h x 0.24 Btu/lb degF x 0.075 lb/ft3, standard air at sea level
(published: supply-house airflow example)."""


def temperature_rise(supply: Decimal, return_air: Decimal) -> Decimal:
    """Temperature rise across the furnace: ``supply - return_air``, exact.

    Both in degF for a result in delta_degF, or both in degC for delta_degC. Negative when the supply is the
    colder: a sign of swapped probes or of no heat, which is for the caller to say.

    Source: common practice.
    """
    return supply - return_air


def airflow_ft3_min(output_btu_h: Decimal, rise_delta_degf: Decimal, density_ratio: Decimal = Decimal(1)) -> Decimal:
    """F2: airflow in ft3/min from heat output and temperature rise.

    ``output / (1.08 x density_ratio x rise)``. Output is measured input x steady-state efficiency, not the
    plate's input. 1.08 holds for dry air of 0.075 lb/ft3; `density_ratio` (see `altitude_density_ratio`)
    scales it. Heat given to the cabinet and the blower motor's own heat are left out.

    Source: published, supply-house airflow example; with the density factor, airflow web page.

    Args:
        output_btu_h: heat to the air, in Btu/h.
        rise_delta_degf: temperature rise, in delta_degF.
        density_ratio: air density over that at sea level, above 0 and at most 1.2.

    Raises:
        ValueError: if a value is outside its range.
    """
    within("The heat output", output_btu_h, "Btu/h", above=0, at_most=10_000_000)
    within("The temperature rise", rise_delta_degf, "degF", above=0, at_most=300)
    demand(0 < density_ratio <= Decimal("1.2"), "The density ratio must be above 0 and at most 1.2.")
    return round_significant(output_btu_h / (SENSIBLE_HEAT_FACTOR * density_ratio * rise_delta_degf))


def altitude_density_ratio(altitude_ft: Decimal) -> Decimal:
    """F2a: density of air at an altitude over that at sea level, both at about 70 degF.

    ``(1 - 6.8754e-6 x altitude_ft) ** 5.2559``: the pressure ratio of the standard atmosphere, which is the
    density ratio for air of one temperature. The day's barometer moves it by about 3 %.

    Source: from memory, verify (standard atmosphere, its lowest layer). From 5900 to 8700 ft its values are
    those published in "Design Guide for Heating, Ventilating, and Air Conditioning Systems" (2000, revised
    2006), table 6a.

    Args:
        altitude_ft: feet above sea level, -2000 (below any dry land) to 36 089 (the top of that layer).

    Raises:
        ValueError: if the altitude is outside that range.
    """
    demand(-2000 <= altitude_ft <= 36089, "The altitude must be between -2000 and 36 089 feet.")
    return round_significant(Decimal(repr((1 - 6.8754e-6 * float(altitude_ft)) ** 5.2559)))
