"""The table of computations: what `work-out`, the findings of the steps and "work out" by voice all read."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from assistant.trade import units
from assistant.trade.computation import Computation, Feed, Given, Input, Worked
from assistant.trade.formulas import air, combustion, electrical, gas, uncertainty
from assistant.trade.formulas.demand import demand
from assistant.trade.job import Job
from assistant.trade.judging import Limit, Source, judge


def _plate_input(job: Job) -> Decimal | None:
    plate = job.plate.get("input-rate")
    value = None if plate is None else plate.value if plate.value is not None else plate.high
    return None if plate is None or value is None else units.convert(value, plate.unit, "Btu_per_hour")


def _basis_note(heating_value_basis: str, **rest: Decimal) -> tuple[str, ...]:
    if heating_value_basis == "as delivered":
        return ("the heating value is as delivered, of the gas as the meter counts it: nothing is corrected",)
    factor = gas.metered_volume_factor(heating_value_basis, **{key: rest[key] for key in rest if key in _CORRECTIONS})
    return (f"the heating value is at standard conditions: the metered volume is multiplied by {factor:f}",)


_CORRECTIONS = ("pressure_inh2o", "altitude_ft", "temperature_degf")


def _excess_air_note(o2_percent: Decimal, fuel: str, form: str) -> tuple[str, ...]:
    dry, instrument = (combustion.excess_air_percent(o2_percent, fuel, each) for each in ("dry flue", "instrument"))
    return (f"by the {form} form; the dry flue form gives {dry:f} %, the instrument form {instrument:f} %",)


def _limit(limit: Decimal, side: str) -> Limit:
    source = Source(mark="common practice", text="the limit as given")
    bound = {"high" if side == "upper" else "low": limit}
    return Limit(quantity="value", unit="dimensionless", authority="generic", source=source, **bound)


def _decide(value: Decimal, limit: Decimal, side: str, expanded_uncertainty: Decimal) -> str:
    demand(expanded_uncertainty >= 0, "The expanded uncertainty must be 0 or more.")
    return judge(value, _limit(limit, side), expanded_uncertainty).outcome


def _probability(value: Decimal, limit: Decimal, side: str, expanded_uncertainty: Decimal) -> tuple[str, ...]:
    p = uncertainty.probability_of_conformity(value, limit, expanded_uncertainty, side == "upper")
    return (f"probability of conformity {p}, of a normal distribution (from memory, verify: JCGM 106)",)


def _word(key: str, unit: str, *choices: str, default: str | None = None, feed: Feed | None = None) -> Input:
    """An input that is one of these words; one of two words may be written with a hyphen."""
    return Input(key, unit, default, {w: c for c in choices for w in (c, c.replace(" ", "-"))}, feed)


_FUEL = Input(
    "fuel",
    "natural gas or LP",
    choices={"natural gas": "natural gas", "natural-gas": "natural gas", "lp": "propane", "propane": "propane"},
    feed=Feed(job=lambda job: job.appliance.fuel),
)
_O2 = Input("o2_percent", "percent", feed=Feed("flue-oxygen"))
_GRAVITY = Input("gravity", "of air")
_VOLTS_OHMS = (Input("volts", "V"), Input("ohms", "ohm"))
_DRY = "dry basis, sampled upstream of any draft hood"
_COLD = "cold resistance does not give the running value: only a resistance taken hot does, and the part's sheet rules"
_ANALYSER = "published: combustion-analyser manual appendix (constants and form)"

_ALL = (
    Computation(
        "input-rate",
        "input rate by clocking the meter (F1, F1c)",
        "Btu_per_hour",
        (
            Input("seconds", "s", feed=Feed("meter-dial-seconds", ask=True, burner=True, others_off=True)),
            # The gas meter 1 %, the heating value 1.5 %: from memory, verify.
            Input(
                "dial_ft3",
                "ft3 a turn",
                feed=Feed(
                    "dial-size",
                    lambda job: job.gas.dial_ft3 if job.gas else None,
                    ask=True,
                    half_width_percent=Decimal(1),
                ),
            ),
            Input(
                "heating_value",
                "Btu/ft3, gross, from the gas supplier",
                feed=Feed(
                    "heating-value",
                    lambda job: job.gas.heating_value_btu_ft3 if job.gas else None,
                    # Natural gas as mostly supplied (common practice); the supplier's own figure comes first.
                    generic=Decimal(1030),
                    generic_says="heating value",
                    generic_for="natural gas",
                    ask=True,
                    half_width_percent=Decimal("1.5"),
                ),
            ),
            _word(
                "heating_value_basis",
                "as delivered: of the gas as the meter counts it; standard: of gas at 14.73 psi and 60 degF",
                "as delivered",
                "standard",
                default="as delivered",
            ),
            Input("pressure_inH2O", "inH2O, of the metered gas; with standard", ""),
            Input("altitude_ft", "ft; with standard", ""),
            Input("temperature_degF", "degF, of the gas; with standard, and not for a compensated meter", ""),
        ),
        gas.input_rate_btu_h,
        'published: distributor newsletter, "Clocking a Gas Meter"; correction: Canada SOR/86-131 s. 37-38',
        {"dial_ft3": "0.5", "seconds": "22", "heating_value": "1000"},
        ("all other gas appliances on the meter are off, pilots too", "an LP supply usually has no meter"),
        notes=_basis_note,
        spoken="input rate",
        plain="how much gas is burnt",
        finding=True,
        assumption="at the supplier's heating value, meter pressure not corrected",
    ),
    Computation(
        "input-rate-metric",
        "input rate by clocking a metric meter (F1)",
        "kilowatt",
        (Input("volume_m3", "m3"), Input("seconds", "s"), Input("heating_value_MJ_m3", "MJ/m3, gross")),
        gas.input_rate_kw,
        'published: UK plumbing revision site, "Working out gas rate and gross heat input (metric meter)"',
        {"volume_m3": "0.04", "seconds": "120", "heating_value_MJ_m3": "39"},
        ("all other gas appliances on the meter are off, pilots too", "the metered gas is not corrected"),
    ),
    Computation(
        "temperature-rise",
        "temperature rise of the air",
        "delta_degF",
        (
            Input(
                "supply_degF",
                "degF, out of sight of the exchanger",
                feed=Feed("supply-temperature", ask=True, burner=True),
            ),
            Input("return_degF", "degF", feed=Feed("return-temperature", ask=True, burner=True)),
        ),
        air.temperature_rise,
        "common practice",
        {"supply_degF": "120", "return_degF": "68"},
        ("read after five to ten minutes of steady running",),
        spoken="temperature rise",
        plain="how much the air is warmed",
        finding=True,
        trend=True,
    ),
    Computation(
        "output",
        "heat output from input and efficiency (F2)",
        "Btu_per_hour",
        (
            Input("input_btuh", "Btu/h, measured", feed=Feed(computation="input-rate")),
            Input(
                "efficiency_percent",
                "percent, steady, gross",
                # Steady efficiency of a furnace that does not condense: common practice, 78 to 83 %.
                feed=Feed(computation="efficiency", generic=Decimal(80), generic_says="efficiency"),
            ),
        ),
        air.heat_output_btu_h,
        'published: supply house, "Measuring CFMs Using Temperature Rise"',
        {"input_btuh": "80000", "efficiency_percent": "80"},
        ("the efficiency is of the appliance at a steady run",),
        spoken="output",
    ),
    Computation(
        "inlet-drop",
        "inlet pressure drop from burner off to full fire",
        "inH2O",
        (
            Input("standing_inH2O", "inH2O, burner off", feed=Feed("inlet-pressure")),
            Input("running_inH2O", "inH2O, at full fire", feed=Feed("inlet-pressure-running")),
        ),
        gas.inlet_drop_inh2o,
        "common practice",
        {"standing_inH2O": "7.2", "running_inH2O": "7"},
        spoken="inlet pressure drop",
        plain="gas pressure lost on the way when the burner runs",
        finding=True,
    ),
    Computation(
        "airflow",
        "airflow from output and temperature rise (F2, F2a)",
        "cubic_foot_per_minute",
        (
            Input("output_btuh", "Btu/h", feed=Feed(computation="output")),
            Input("rise_degF", "degF", feed=Feed(computation="temperature-rise")),
            Input("altitude_ft", "ft", "0"),
        ),
        air.airflow_ft3_min,
        'published: supply house, "Measuring CFMs Using Temperature Rise"; altitude: standard atmosphere, from memory, '
        "verify",
        {"output_btuh": "64000", "rise_degF": "40", "altitude_ft": "1000"},
        ("output is the measured input times the steady efficiency", "1.08 holds for air of 0.075 lb/ft3 at sea level"),
        spoken="air flow",
        generic_says="air at sea level",
    ),
    Computation(
        "co-air-free",
        "CO air-free from CO and O2 (F3)",
        "ppm",
        (Input("co_ppm", "ppm", feed=Feed("flue-co")), _O2),
        combustion.co_air_free_ppm,
        "published: HVAC training site, air-free CO",
        {"co_ppm": "87", "o2_percent": "5"},
        (_DRY,),
        spoken="C O air free",
        plain="carbon monoxide in the burnt gas, worked out without the air in it",
        finding=True,
        trend=True,
        must_not_rise=True,
    ),
    Computation(
        "co-air-free-from-co2",
        "CO air-free from CO and CO2 (F3)",
        "ppm",
        (Input("co_ppm", "ppm"), Input("co2_percent", "percent"), _FUEL),
        combustion.co_air_free_from_co2_ppm,
        "from memory, verify (the form); published: combustion-analyser manual appendix (constants)",
        {"co_ppm": "60", "co2_percent": "7", "fuel": "natural gas"},
        (_DRY,),
    ),
    Computation(
        "co2",
        "CO2 from O2 (F4)",
        "percent",
        (_O2, _FUEL),
        combustion.co2_from_o2_percent,
        _ANALYSER,
        {"o2_percent": "7", "fuel": "LP"},
        (_DRY,),
    ),
    Computation(
        "o2",
        "O2 from CO2 (F4)",
        "percent",
        (Input("co2_percent", "percent"), _FUEL),
        combustion.o2_from_co2_percent,
        _ANALYSER,
        {"co2_percent": "7", "fuel": "LP"},
        (_DRY,),
    ),
    Computation(
        "excess-air",
        "excess air from O2 (F5)",
        "percent",
        (_O2, _FUEL, _word("form", "dry-flue or instrument", "dry flue", "instrument", default="dry-flue")),
        combustion.excess_air_percent,
        "published: combustion-analyser manual appendix (the ratio); the fuel's factor derived",
        {"o2_percent": "7", "fuel": "natural gas"},
        (_DRY,),
        notes=_excess_air_note,
        spoken="excess air",
        generic_says="gas",
    ),
    Computation(
        "stack-loss",
        "heat lost up the flue, net basis (F6)",
        "percent",
        (Input("flue_degC", "degC"), Input("air_degC", "degC"), _O2, _FUEL),
        combustion.stack_loss_net_percent,
        _ANALYSER,
        {"flue_degC": "200", "air_degC": "20", "o2_percent": "7", "fuel": "LP"},
        ("NET basis: never beside a gross rating plate", "no water condenses in the flue"),
    ),
    Computation(
        "efficiency",
        "combustion efficiency (F6, F6a)",
        "percent",
        (
            Input("flue_degC", "degC", feed=Feed("flue-temperature", unit="degC")),
            Input("air_degC", "degC", feed=Feed("combustion-air-temperature", unit="degC", ask=True)),
            _O2,
            _FUEL,
            _word("basis", "gross or net", "gross", "net", default="gross"),
        ),
        combustion.efficiency_percent,
        "published: combustion-analyser manual appendix (net); the gross factor from memory, verify",
        {"flue_degC": "200", "air_degC": "20", "o2_percent": "7", "fuel": "LP"},
        ("no water condenses in the flue",),
        notes=lambda basis, **_: (f"{basis.upper()} basis",),
        spoken="efficiency",
        generic_says="gas",
        caution="It holds while no water condenses.",
    ),
    Computation(
        "igniter-power",
        "power of an igniter (F7)",
        "W",
        _VOLTS_OHMS,
        electrical.igniter_power_w,
        "exact: Ohm's law; the caution from memory, verify",
        {"volts": "120", "ohms": "60"},
        (_COLD,),
    ),
    Computation(
        "igniter-current",
        "current of an igniter (F7)",
        "ampere",
        _VOLTS_OHMS,
        electrical.igniter_current_a,
        "exact: Ohm's law; the caution from memory, verify",
        {"volts": "120", "ohms": "60"},
        (_COLD,),
    ),
    Computation(
        "orifice-flow",
        "gas through an orifice (F8)",
        "ft3/h",
        (
            Input("diameter_in", "in"),
            Input("pressure_inH2O", "inH2O"),
            _GRAVITY,
            Input("coefficient", "of the orifice", "0.90"),
        ),
        gas.orifice_flow_ft3_h,
        "published: BCcampus / Industry Training Authority BC, Block E: Fuel Gas Systems (2023), Appendix 2 "
        "(the values of its table); the constant from memory, verify",
        {"diameter_in": "0.028", "pressure_inH2O": "3.5", "gravity": "0.6", "coefficient": "0.9"},
        ("the orifice coefficient is usually 0.85 to 0.90",),
    ),
    Computation(
        "manifold-correction",
        "manifold pressure for another rate (F9)",
        "inH2O",
        (
            Input("rate_btuh", "Btu/h", feed=Feed(computation="input-rate")),
            Input("pressure_inH2O", "inH2O", feed=Feed("manifold-pressure")),
            Input("target_btuh", "Btu/h", feed=Feed(job=_plate_input)),
        ),
        gas.manifold_for_rate_inh2o,
        "derived from the orifice equation (F8)",
        {"rate_btuh": "76000", "pressure_inH2O": "3.3", "target_btuh": "80000"},
        ("the plate's manifold band comes first: outside it the orifice is changed, not the pressure",),
        spoken="manifold pressure for the plate's input",
        caution="The plate's band comes first. Outside it the orifice is changed, not the pressure.",
    ),
    Computation(
        "wobbe",
        "Wobbe index (F10)",
        "Btu_per_cubic_foot",
        (Input("heating_value", "Btu/ft3, gross"), _GRAVITY),
        gas.wobbe_btu_ft3,
        "published: web page on the Wobbe number (sizes.com)",
        {"heating_value": "1030", "gravity": "0.6"},
        ("gross heating value",),
    ),
    Computation(
        "wrong-gas",
        "input with another gas, over the input meant (F10a)",
        "times",
        (
            Input("wobbe", "Btu/ft3, of the gas that burns"),
            Input("pressure_inH2O", "inH2O"),
            Input("wobbe_meant", "Btu/ft3"),
            Input("pressure_meant_inH2O", "inH2O"),
        ),
        gas.wrong_gas_ratio,
        "derived from the orifice equation (F8)",
        {"wobbe": "2044", "pressure_inH2O": "10", "wobbe_meant": "1330", "pressure_meant_inH2O": "3.5"},
        ("the same orifice; far from 1 means stop at once and find out which gas and orifices are there",),
    ),
    Computation(
        "altitude-derate",
        "input of the plate, derated for altitude (F11)",
        "Btu_per_hour",
        (
            Input("input_btuh", "Btu/h, of the plate"),
            Input("altitude_ft", "ft"),
            _word("convention", " or ".join(gas.DERATE_CONVENTIONS), *gas.DERATE_CONVENTIONS),
            _word(
                "plate_basis",
                "what the plate's input is for: sea level, or this altitude already",
                "sea level",
                "altitude",
                default="sea level",
            ),
        ),
        gas.altitude_derated_btu_h,
        "from memory, verify: IFGC and NFPA 54 (from-sea-level); published: retailer's altitude article (above-2000), "
        "furnace makers' manuals (fan-assisted, canada)",
        {"input_btuh": "80000", "altitude_ft": "3000", "convention": "above-2000"},
        ("the plate or the maker's table comes first", "the plate's input is for sea level: never derate twice"),
        notes=lambda convention, **_: (f"convention: {gas.DERATE_CONVENTIONS[convention]}",),
    ),
    Computation(
        "thermocouple-emf",
        "emf of a type K thermocouple, reference 0 degC (F13)",
        "millivolt",
        (Input("temperature_degC", "degC"),),
        electrical.type_k_emf_mv,
        "published: NIST Standard Reference Database 60 (ITS-90), type K (form and exponential term); the full "
        "digits of the coefficients from memory, verify, checked against its printed rows",
        {"temperature_degC": "100"},
        ("the other junction is at 0 degC",),
    ),
    Computation(
        "probe-tolerance",
        "what a class 2 type K probe may be off by (F13a)",
        "delta_degC",
        (Input("temperature_degC", "degC"),),
        electrical.class_2_tolerance_degc,
        "published: IEC 60584-1, class 2, as cited in a public code file",
        {"temperature_degC": "200"},
    ),
    Computation(
        "meter-accuracy",
        "what a meter may be off by (F14)",
        "of the reading",
        (
            Input("reading", "in its unit"),
            Input("percent", "of the reading"),
            Input("counts", "digits"),
            Input("resolution", "the last digit's worth"),
        ),
        uncertainty.meter_half_width,
        "published: university physics laboratory, uncertainties of digital multimeters",
        {"reading": "32", "percent": "2.5", "counts": "3", "resolution": "0.01"},
        ("the value is the half width a; U = 2 a / sqrt(3), any error within a being as likely (JCGM 100, 4.3.7)",),
        uncertainty=uncertainty.meter_uncertainty,
    ),
    Computation(
        "decide",
        "how a value stands against a limit (F16)",
        "",
        (
            Input("value", "in its unit"),
            Input("limit", "in the same unit"),
            _word("side", "upper or lower", "upper", "lower"),
            Input("expanded_uncertainty", "in the same unit, k = 2"),
        ),
        _decide,
        "published: ILAC-G8:09/2019, 4.2.3, guard band w = U",
        {"value": "1.3", "limit": "1.0", "side": "lower", "expanded_uncertainty": "0.36"},
        uncertainty=lambda expanded_uncertainty, **_: expanded_uncertainty,
        notes=_probability,
    ),
)

COMPUTATIONS: dict[str, Computation] = {each.name: each for each in _ALL}
"""What can be worked out, by name."""

FINDINGS: dict[str, Computation] = {each.name: each for each in _ALL if each.finding}
"""What follows from several readings of a visit, by name: a step works it out, and a limit may judge it."""

CLOCKED, CLOCKED_BY = next(
    (each.name, of.feed.quantity) for each in _ALL for of in each.takes if of.feed and of.feed.others_off
)
"""What is worked out by clocking the gas meter, and the quantity that is timed for it."""


def work_out(name: str, given: Mapping[str, Given]) -> Worked:
    """Works out what has that name from its inputs as text, as `Computation.work_out`.

    Raises:
        ValueError: one sentence, for a name, key or value that does not fit.
    """
    demand(name in COMPUTATIONS, f"{name!r} cannot be worked out; what can be: {', '.join(COMPUTATIONS)}.")
    return COMPUTATIONS[name].work_out(given)
