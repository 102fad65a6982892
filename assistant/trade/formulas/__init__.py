"""The trade's formulas: pure functions of values in named units.

Identifiers F1, F2 ... are those of `tests/outside/test_formulas_published.py`, where each formula is checked
against values printed elsewhere.

Arguments and results are `decimal.Decimal`, in the unit that the name ends with. A result is rounded to six
significant digits. Every function raises `ValueError` with one sentence when a value lies outside what its
formula is valid for.
"""

from assistant.trade.formulas.air import SENSIBLE_HEAT_FACTOR, airflow_ft3_min, altitude_density_ratio, temperature_rise
from assistant.trade.formulas.combustion import (
    AIR_OXYGEN_PERCENT,
    DRY_PRODUCTS_PER_AIR,
    GROSS_PER_NET,
    SIEGERT,
    ULTIMATE_CO2_PERCENT,
    co2_from_o2_percent,
    co_air_free_from_co2_ppm,
    co_air_free_ppm,
    co_air_free_uncertainty_ppm,
    efficiency_percent,
    excess_air_percent,
    o2_from_co2_percent,
    stack_loss_net_percent,
)
from assistant.trade.formulas.electrical import (
    class_2_tolerance_degc,
    igniter_current_a,
    igniter_power_w,
    type_k_emf_mv,
)
from assistant.trade.formulas.gas import (
    DERATE_CONVENTIONS,
    SECONDS_PER_HOUR,
    altitude_derated_btu_h,
    gas_flow_ft3_h,
    gas_flow_m3_h,
    gas_volume_factor,
    input_rate_btu_h,
    input_rate_kw,
    manifold_for_rate_inh2o,
    orifice_flow_ft3_h,
    wobbe_btu_ft3,
    wrong_gas_ratio,
)
from assistant.trade.formulas.uncertainty import (
    COVERAGE_FACTOR,
    combine_uncertainties,
    expanded_from_half_width,
    meter_half_width,
    meter_uncertainty,
    probability_of_conformity,
)

__all__ = [
    "AIR_OXYGEN_PERCENT",
    "COVERAGE_FACTOR",
    "DERATE_CONVENTIONS",
    "DRY_PRODUCTS_PER_AIR",
    "GROSS_PER_NET",
    "SECONDS_PER_HOUR",
    "SENSIBLE_HEAT_FACTOR",
    "SIEGERT",
    "ULTIMATE_CO2_PERCENT",
    "airflow_ft3_min",
    "altitude_density_ratio",
    "altitude_derated_btu_h",
    "class_2_tolerance_degc",
    "co2_from_o2_percent",
    "co_air_free_from_co2_ppm",
    "co_air_free_ppm",
    "co_air_free_uncertainty_ppm",
    "combine_uncertainties",
    "efficiency_percent",
    "excess_air_percent",
    "expanded_from_half_width",
    "gas_flow_ft3_h",
    "gas_flow_m3_h",
    "gas_volume_factor",
    "igniter_current_a",
    "igniter_power_w",
    "input_rate_btu_h",
    "input_rate_kw",
    "manifold_for_rate_inh2o",
    "meter_half_width",
    "meter_uncertainty",
    "o2_from_co2_percent",
    "orifice_flow_ft3_h",
    "probability_of_conformity",
    "stack_loss_net_percent",
    "temperature_rise",
    "type_k_emf_mv",
    "wobbe_btu_ft3",
    "wrong_gas_ratio",
]
