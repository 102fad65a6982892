"""Air: temperature rise and airflow."""

from decimal import Decimal

from assistant.trade.formulas.demand import demand, within
from assistant.trade.units import round_significant

SENSIBLE_HEAT_FACTOR = Decimal("1.08")
"""Btu/h per (ft3/min x delta_degF): 60 min/h x 0.24 Btu/lb degF x 0.075 lb/ft3, standard air at sea level
(published: supply-house airflow example)."""


def temperature_rise(supply_degf: Decimal, return_degf: Decimal) -> Decimal:
    """Temperature rise across the furnace in delta_degF: ``supply - return``, exact.

    Negative when the supply is the colder: a sign of swapped probes or of no heat, which is for the caller to say.
    """
    within("The supply air", supply_degf, "degF", at_least=-100, at_most=1000)
    within("The return air", return_degf, "degF", at_least=-100, at_most=1000)
    return supply_degf - return_degf


def heat_output_btu_h(input_btuh: Decimal, efficiency_percent: Decimal) -> Decimal:
    """F2: heat to the air in Btu/h: the measured input times the steady efficiency, gross."""
    within("The input", input_btuh, "Btu/h", above=0, at_most=10_000_000)
    within("The efficiency", efficiency_percent, "percent", above=0, at_most=100)
    return round_significant(input_btuh * efficiency_percent / 100)


def airflow_ft3_min(output_btuh: Decimal, rise_degf: Decimal, altitude_ft: Decimal = Decimal(0)) -> Decimal:
    """F2: airflow in ft3/min from heat output and temperature rise.

    ``output / (1.08 x density_ratio x rise)``. Output is measured input x steady-state efficiency, not the
    plate's input. 1.08 holds for dry air of 0.075 lb/ft3; `altitude_density_ratio` scales it. Heat given to the
    cabinet and the blower motor's own heat are left out.

    Source of the density factor: published, airflow web page.
    """
    within("The heat output", output_btuh, "Btu/h", above=0, at_most=10_000_000)
    within("The temperature rise", rise_degf, "degF", above=0, at_most=300)
    return round_significant(output_btuh / (SENSIBLE_HEAT_FACTOR * altitude_density_ratio(altitude_ft) * rise_degf))


def altitude_density_ratio(altitude_ft: Decimal) -> Decimal:
    """F2a: density of air at an altitude over that at sea level, both at about 70 degF.

    ``(1 - 6.8754e-6 x altitude_ft) ** 5.2559``: the pressure ratio of the standard atmosphere, which is the
    density ratio for air of one temperature. The day's barometer moves it by about 3 %.

    Source: from memory, verify (standard atmosphere, its lowest layer). From 5900 to 8700 ft its values are
    those published in "Design Guide for Heating, Ventilating, and Air Conditioning Systems" (2000, revised
    2006), table 6a.

    Args:
        altitude_ft: feet above sea level, -2000 (below any dry land) to 36 089 (the top of that layer).
    """
    demand(-2000 <= altitude_ft <= 36089, "The altitude must be between -2000 and 36 089 feet.")
    return round_significant(Decimal(repr((1 - 6.8754e-6 * float(altitude_ft)) ** 5.2559)))
