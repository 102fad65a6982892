"""Flue gas: CO air-free, O2 and CO2, excess air, stack loss."""

from decimal import Decimal

from assistant.trade.formulas.demand import demand, within
from assistant.trade.units import round_significant

AIR_OXYGEN_PERCENT = Decimal("20.9")
"""Oxygen in dry air by volume (published: combustion-analyser manual appendix, the 20.9 of its formulas)."""

ULTIMATE_CO2_PERCENT: dict[str, Decimal] = {
    # published: combustion-analyser manual appendix, fuel table; 11.7 is printed as well.
    "natural gas": Decimal("11.8"),
    # published: the same table; 13.7 is printed as well.
    "propane": Decimal("13.8"),
}
"""CO2 by volume in dry flue gas with no excess air and no CO, in percent."""


def co_air_free_ppm(co_ppm: Decimal, o2_percent: Decimal) -> Decimal:
    """F3: CO in the flue gas as if no excess air diluted it, from O2.

    ``co_ppm x 20.9 / (20.9 - o2_percent)``, dry basis, sampled upstream of a draft hood. As O2 nears 20.9 the
    result grows without bound and means little; its uncertainty shows by how much.
    """
    _carbon_monoxide(co_ppm)
    demand(
        0 <= o2_percent < AIR_OXYGEN_PERCENT,
        f"O2 of {o2_percent} percent is not flue gas: it must be 0 or more and below {AIR_OXYGEN_PERCENT}.",
    )
    return round_significant(co_ppm * AIR_OXYGEN_PERCENT / (AIR_OXYGEN_PERCENT - o2_percent))


def co_air_free_from_co2_ppm(co_ppm: Decimal, co2_percent: Decimal, fuel: str) -> Decimal:
    """F3: CO air-free from CO2: ``co_ppm x ultimate / co2_percent``, dry basis."""
    _carbon_monoxide(co_ppm)
    ultimate = _ultimate(fuel)
    within("CO2 in the flue", co2_percent, "percent", above=0, at_most=ultimate)
    return round_significant(co_ppm * ultimate / co2_percent)


def _carbon_monoxide(co_ppm: Decimal) -> None:
    within("CO", co_ppm, "ppm", at_least=0, at_most=1_000_000)


# F4 to F6: oxygen and carbon dioxide, excess air, stack loss


def _ultimate(fuel: str) -> Decimal:
    demand(fuel in ULTIMATE_CO2_PERCENT, f"The fuel must be {' or '.join(ULTIMATE_CO2_PERCENT)}, not {fuel!r}.")
    return ULTIMATE_CO2_PERCENT[fuel]


def _flue_oxygen(o2_percent: Decimal) -> Decimal:
    """What is left to 20.9 percent. Flue gas of more than 18 percent O2 is nearly all air, and says nothing."""
    within("O2 in the flue", o2_percent, "percent", at_least=0, at_most=18)
    return AIR_OXYGEN_PERCENT - o2_percent


def co2_from_o2_percent(o2_percent: Decimal, fuel: str) -> Decimal:
    """F4: CO2 of dry flue gas from its O2, in percent: ``ultimate x (20.9 - o2) / 20.9``."""
    return round_significant(_ultimate(fuel) * _flue_oxygen(o2_percent) / AIR_OXYGEN_PERCENT)


def o2_from_co2_percent(co2_percent: Decimal, fuel: str) -> Decimal:
    """F4 turned round: O2 of dry flue gas from its CO2, in percent."""
    ultimate = _ultimate(fuel)
    within("CO2 in the flue", co2_percent, "percent", above=0, at_most=ultimate)
    return round_significant(AIR_OXYGEN_PERCENT * (1 - co2_percent / ultimate))


DRY_PRODUCTS_PER_AIR: dict[str, Decimal] = {"natural gas": Decimal("0.895"), "propane": Decimal("0.916")}
"""Dry flue gas over air, both by volume, at exactly enough air (derived from the combustion equation)."""


def excess_air_percent(o2_percent: Decimal, fuel: str, form: str = "dry flue") -> Decimal:
    """F5: excess air in percent from the O2 of dry flue gas: ``100 k o2 / (20.9 - o2)``.

    form: "dry flue" takes k as the dry products per air of the fuel, "instrument" takes k = 1, as instruments
    that know no fuel do; it is higher. Which form was used belongs beside the result.
    """
    _ultimate(fuel)
    demand(form in ("dry flue", "instrument"), "The form must be dry flue or instrument.")
    k = DRY_PRODUCTS_PER_AIR[fuel] if form == "dry flue" else Decimal(1)
    return round_significant(100 * k * o2_percent / _flue_oxygen(o2_percent))


SIEGERT: dict[str, tuple[Decimal, Decimal]] = {
    # (A2, B), published: combustion-analyser manual appendix, fuel table
    "natural gas": (Decimal("0.66"), Decimal("0.009")),
    "propane": (Decimal("0.63"), Decimal("0.008")),
}

GROSS_PER_NET: dict[str, Decimal] = {"natural gas": Decimal("0.90"), "propane": Decimal("0.92")}
"""Net over gross heating value, about (from memory, verify): holds until water condenses in the flue."""


def stack_loss_net_percent(flue_degc: Decimal, air_degc: Decimal, o2_percent: Decimal, fuel: str) -> Decimal:
    """F6: heat lost up the flue, in percent of the NET heat input (Siegert).

    ``(flue - air) x (A2 / (20.9 - o2) + B)``. Flue gas that condenses gives heat back that this leaves out, so
    a flue cooler than it can be dry is refused: use the maker's figures there.

    Raises:
        ValueError: if a value is outside its range, the flue is not hotter than the air, or is so cool that
            water condenses (natural gas 58 - 1.2 o2 degC, propane 54 - 1.2 o2; the analyser manual's appendix, rough).
    """
    _ultimate(fuel)
    within("The flue temperature", flue_degc, "degC", above=0, at_most=600)
    within("The temperature of the combustion air", air_degc, "degC", at_least=-40, at_most=60)
    left = _flue_oxygen(o2_percent)
    dew = (Decimal(58) if fuel == "natural gas" else Decimal(54)) - Decimal("1.2") * o2_percent
    demand(flue_degc > air_degc, "The flue must be hotter than the combustion air.")
    demand(
        flue_degc >= dew,
        f"Below about {dew:f} degC the flue gas condenses, and this formula does not hold; use the maker's figures.",
    )
    a2, b = SIEGERT[fuel]
    return round_significant((flue_degc - air_degc) * (a2 / left + b))


def efficiency_percent(
    flue_degc: Decimal, air_degc: Decimal, o2_percent: Decimal, fuel: str, basis: str = "gross"
) -> Decimal:
    """F6, F6a: combustion efficiency in percent, by the NET or the GROSS heating value.

    Net: ``100 - stack loss``. Gross: that times about 0.90 (natural gas) or 0.92 (propane). A United States
    rating plate is gross: a net figure is never put beside it.
    """
    demand(basis in ("net", "gross"), "The basis must be net or gross; they are never mixed.")
    net = 100 - stack_loss_net_percent(flue_degc, air_degc, o2_percent, fuel)
    return round_significant(net * GROSS_PER_NET[fuel] if basis == "gross" else net)
