"""The trade's formulas: pure functions of values in named units.

Identifiers F1, F2 ... are those of `tests/outside/test_formulas_published.py`, where each formula is checked
against values printed elsewhere.

Arguments and results are `decimal.Decimal`, in the unit that the name ends with. A result is rounded to six
significant digits. Every function raises `ValueError` with one sentence when a value lies outside what its
formula is valid for.
"""

from collections.abc import Iterable
from decimal import Decimal

from assistant.trade.units import round_significant

SECONDS_PER_HOUR = 3600

AIR_OXYGEN_PERCENT = Decimal("20.9")
"""Oxygen in dry air by volume (published: combustion-analyser manual appendix, the 20.9 of its formulas)."""

ULTIMATE_CO2_PERCENT: dict[str, Decimal] = {
    # published: combustion-analyser manual appendix, fuel table; 11.7 is printed as well.
    "natural gas": Decimal("11.8"),
    # published: the same table; 13.7 is printed as well.
    "propane": Decimal("13.8"),
}
"""CO2 by volume in dry flue gas with no excess air and no CO, in percent."""

SENSIBLE_HEAT_FACTOR = Decimal("1.08")
"""Btu/h per (ft3/min x delta_degF): 60 min/h x 0.24 Btu/lb degF x 0.075 lb/ft3, standard air at sea level
(published: supply-house airflow example)."""

COVERAGE_FACTOR = 2
"""k of an expanded uncertainty U = k u, about 95 % (from memory, verify: JCGM 100, 6.3)."""

_SQRT_3 = Decimal(3).sqrt()


def _demand(condition: bool, sentence: str) -> None:
    if not condition:
        raise ValueError(sentence)


# F1: input rate by the gas meter


def gas_flow_ft3_h(dial_ft3: Decimal, seconds: Decimal) -> Decimal:
    """F1: gas flow in ft3/h from the time of one turn of the meter's test dial.

    ``3600 x dial_ft3 / seconds``. Every other appliance on the meter is off, pilots included.

    Source: published, distributor newsletter "Clocking a Gas Meter".

    Args:
        dial_ft3: gas that passed, in ft3: one turn of the dial, or turns x dial.
        seconds: the time that it took.

    Raises:
        ValueError: if either is not above zero.
    """
    return round_significant(_flow_per_hour(dial_ft3, seconds))


def input_rate_btu_h(dial_ft3: Decimal, seconds: Decimal, heating_value_btu_ft3: Decimal) -> Decimal:
    """F1: input rate in Btu/h, gross, from clocking the meter.

    ``3600 x dial_ft3 / seconds x heating_value_btu_ft3``. The heating value is the gas supplier's, gross, for
    gas at the conditions at which the meter counts; no correction for altitude, pressure or temperature of
    the metered gas is made.

    Source: published, distributor newsletter "Clocking a Gas Meter".

    Raises:
        ValueError: if any value is not above zero.
    """
    _demand(heating_value_btu_ft3 > 0, "The heating value must be above zero.")
    return round_significant(_flow_per_hour(dial_ft3, seconds) * heating_value_btu_ft3)


def gas_flow_m3_h(volume_m3: Decimal, seconds: Decimal) -> Decimal:
    """F1, metric: gas flow in m3/h; ``3600 x volume_m3 / seconds``.

    Source: published, plumbing worked example (UK).

    Raises:
        ValueError: if either is not above zero.
    """
    return round_significant(_flow_per_hour(volume_m3, seconds))


def input_rate_kw(volume_m3: Decimal, seconds: Decimal, heating_value_mj_m3: Decimal) -> Decimal:
    """F1, metric: input rate in kW, gross; ``3600 x volume_m3 / seconds x heating_value_mj_m3 / 3.6``.

    The assumptions are those of `input_rate_btu_h`.

    Source: published, plumbing worked example (UK).

    Raises:
        ValueError: if any value is not above zero.
    """
    _demand(heating_value_mj_m3 > 0, "The heating value must be above zero.")
    return round_significant(_flow_per_hour(volume_m3, seconds) * heating_value_mj_m3 / Decimal("3.6"))


def _flow_per_hour(volume: Decimal, seconds: Decimal) -> Decimal:
    _demand(volume > 0, "The gas that passed must be more than zero.")
    _demand(seconds > 0, "The time must be more than zero seconds.")
    return SECONDS_PER_HOUR * volume / seconds


# F2: temperature rise and airflow


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
    _demand(output_btu_h > 0, "The heat output must be above zero.")
    _demand(rise_delta_degf > 0, "The temperature rise must be above zero to work out airflow.")
    _demand(0 < density_ratio <= Decimal("1.2"), "The density ratio must be above 0 and at most 1.2.")
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
    _demand(-2000 <= altitude_ft <= 36089, "The altitude must be between -2000 and 36 089 feet.")
    return round_significant(Decimal(repr((1 - 6.8754e-6 * float(altitude_ft)) ** 5.2559)))


# F3: CO air-free


def co_air_free_ppm(co_ppm: Decimal, o2_percent: Decimal) -> Decimal:
    """F3: CO in the flue gas as if no excess air diluted it, from O2.

    ``co_ppm x 20.9 / (20.9 - o2_percent)``, dry basis, sampled upstream of a draft hood. As O2 nears 20.9 the
    result grows without bound and means little: `co_air_free_uncertainty_ppm` shows by how much.

    Source: published, HVAC training site, air-free CO.

    Args:
        co_ppm: CO as measured, ppm, 0 or more.
        o2_percent: O2 as measured, percent by volume, 0 or more and below 20.9.

    Raises:
        ValueError: if a value is outside its range.
    """
    return round_significant(co_ppm * _dilution(co_ppm, o2_percent))


def co_air_free_from_co2_ppm(co_ppm: Decimal, co2_percent: Decimal, ultimate_co2_percent: Decimal) -> Decimal:
    """F3: CO air-free from CO2: ``co_ppm x ultimate_co2_percent / co2_percent``, dry basis.

    Source: from memory, verify (the form); `ULTIMATE_CO2_PERCENT` has the fuels' constants with theirs.

    Args:
        co_ppm: CO as measured, ppm, 0 or more.
        co2_percent: CO2 as measured, percent by volume, above 0 and at most the ultimate.
        ultimate_co2_percent: CO2 with no excess air, percent by volume: the fuel's constant.

    Raises:
        ValueError: if a value is outside its range.
    """
    _demand(co_ppm >= 0, "CO cannot be below zero.")
    _demand(co2_percent > 0, "CO2 must be above zero.")
    _demand(
        co2_percent <= ultimate_co2_percent,
        f"CO2 of {co2_percent} percent is more than the fuel can make ({ultimate_co2_percent}).",
    )
    return round_significant(co_ppm * ultimate_co2_percent / co2_percent)


def _dilution(co_ppm: Decimal, o2_percent: Decimal) -> Decimal:
    _demand(co_ppm >= 0, "CO cannot be below zero.")
    _demand(
        0 <= o2_percent < AIR_OXYGEN_PERCENT,
        f"O2 of {o2_percent} percent is not flue gas: it must be 0 or more and below {AIR_OXYGEN_PERCENT}.",
    )
    return AIR_OXYGEN_PERCENT / (AIR_OXYGEN_PERCENT - o2_percent)


# F14 and F15: what the meter leaves uncertain


def meter_half_width(value: Decimal, percent_of_reading: Decimal, counts: Decimal, resolution: Decimal) -> Decimal:
    """F14: the most that a meter may be off by, ``percent_of_reading / 100 x |value| + counts x resolution``.

    Source: published, university physics laboratory note, uncertainties of digital multimeters.

    Args:
        value: the reading, in its unit.
        percent_of_reading: the meter sheet's percent.
        counts: the meter sheet's counts (digits, "+3").
        resolution: the last digit's worth on the range in use, in the reading's unit.

    Returns:
        The half width, in the reading's unit, exact.

    Raises:
        ValueError: if a percent or counts is below zero, or the resolution is not above zero.
    """
    _demand(percent_of_reading >= 0 and counts >= 0, "A meter's percent and counts cannot be below zero.")
    _demand(resolution > 0, "A meter's resolution must be above zero.")
    return percent_of_reading / 100 * abs(value) + counts * resolution


def meter_uncertainty(value: Decimal, percent_of_reading: Decimal, counts: Decimal, resolution: Decimal) -> Decimal:
    """F14: expanded uncertainty (k = 2) of a reading, in its unit: ``2 a / sqrt(3)``, a the half width.

    The meter's error is taken as equally likely anywhere within +/- a. What the meter does to the circuit,
    its leads, and its drift since calibration are not in it.

    Source: from memory, verify (rectangular distribution: JCGM 100, 4.3.7); the half width as in
    `meter_half_width`, whose arguments and errors these are.
    """
    return expanded_from_half_width(meter_half_width(value, percent_of_reading, counts, resolution))


def expanded_from_half_width(half_width: Decimal) -> Decimal:
    """Expanded uncertainty (k = 2) of a value known to lie within +/- half_width: ``2 half_width / sqrt(3)``.

    Source: from memory, verify (rectangular distribution: JCGM 100, 4.3.7).

    Raises:
        ValueError: if the half width is below zero.
    """
    _demand(half_width >= 0, "A half width cannot be below zero.")
    return round_significant(COVERAGE_FACTOR * half_width / _SQRT_3)


def combine_uncertainties(contributions: Iterable[tuple[Decimal, Decimal]]) -> Decimal:
    """F15: expanded uncertainty of a result from those of its uncorrelated inputs.

    ``sqrt(sum((sensitivity x U) ** 2))``, every U with one coverage factor. A sensitivity is the result's
    change per unit of that input. For products and quotients give relative uncertainties with sensitivity 1.

    Source: from memory, verify (law of propagation: JCGM 100, 5.1.2).

    Args:
        contributions: pairs (sensitivity, U of that input).

    Raises:
        ValueError: if an uncertainty is below zero.
    """
    total = Decimal(0)
    for sensitivity, expanded in contributions:
        _demand(expanded >= 0, "An uncertainty cannot be below zero.")
        total += (sensitivity * expanded) ** 2
    return round_significant(total.sqrt())


def co_air_free_uncertainty_ppm(
    co_ppm: Decimal, co_uncertainty_ppm: Decimal, o2_percent: Decimal, o2_uncertainty_percent: Decimal
) -> Decimal:
    """F15: expanded uncertainty of CO air-free (`co_air_free_ppm`), in ppm.

    ``sqrt((f U_CO) ** 2 + (COaf / (20.9 - O2) x U_O2) ** 2)`` with ``f = 20.9 / (20.9 - O2)``; CO and O2
    uncorrelated, U_O2 small beside 20.9 - O2, both U with one coverage factor.

    Source: derived from F3 by the law of propagation (from memory, verify: JCGM 100, 5.1.2).

    Raises:
        ValueError: if a value is outside the range of `co_air_free_ppm` or an uncertainty is below zero.
    """
    dilution = _dilution(co_ppm, o2_percent)
    per_percent_o2 = co_ppm * dilution / (AIR_OXYGEN_PERCENT - o2_percent)
    return combine_uncertainties(
        [(dilution, co_uncertainty_ppm), (per_percent_o2, o2_uncertainty_percent)],
    )
