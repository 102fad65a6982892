"""What can be worked out, as data: each formula with its inputs, units, assumptions and source."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from assistant.trade import formulas
from assistant.trade.formulas.demand import demand
from assistant.trade.judging import Limit, Outcome, Source, judge
from assistant.trade.units import round_significant

UNCERTAINTY = "U_"  # before an input's key: its expanded uncertainty (k = 2), in the input's unit

FUELS = {"natural gas": "natural gas", "natural-gas": "natural gas", "lp": "propane", "propane": "propane"}


@dataclass(frozen=True)
class Input:
    """One input. key: as it is given. unit: for people. default: None where it must be given.

    choices: for an input that is a word, what it may be -> what the formula takes; empty for a number.
    """

    key: str
    unit: str
    default: str | None = None
    choices: Mapping[str, str] | None = None


@dataclass(frozen=True)
class Worked:
    """A result. value: a number in `unit`, or a word ("conditional-pass"). expanded_uncertainty: in `unit`, k = 2."""

    name: str
    value: Decimal | str
    unit: str
    expanded_uncertainty: Decimal | None
    assumptions: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class Working:
    """One formula that can be asked for by name.

    of: from the inputs by key, numbers as Decimal and words as they were chosen, to the result.
    uncertainty: of the result, where it does not follow from those of the inputs. example: one set of inputs.
    """

    name: str
    title: str
    unit: str
    inputs: tuple[Input, ...]
    of: Callable[[Mapping[str, Decimal], Mapping[str, str]], Decimal | str]
    source: str
    example: Mapping[str, str]
    assumptions: tuple[str, ...] = ()
    uncertainty: Callable[[Mapping[str, Decimal]], Decimal] | None = None
    notes: Callable[[Mapping[str, Decimal], Mapping[str, str]], tuple[str, ...]] | None = None


def work_out(name: str, given: Mapping[str, str]) -> Worked:
    """Works out the formula of that name from its inputs as text.

    An input's expanded uncertainty is given as U_KEY; with any of them the result has one, by the law of
    propagation for uncorrelated inputs (from memory, verify: JCGM 100, 5.1.2 and 5.1.3, sensitivities by
    differences).

    Raises:
        ValueError: one sentence, for a name, key or value that does not fit.
    """
    demand(name in WORKINGS, f"{name!r} cannot be worked out; what can be: {', '.join(WORKINGS)}.")
    working = WORKINGS[name]
    numbers, words, doubts = _read(working, given)
    value = working.of(numbers, words)
    expanded = None
    if working.uncertainty:
        expanded = working.uncertainty(numbers)
    elif doubts and isinstance(value, Decimal):
        expanded = formulas.combine_uncertainties(
            (_sensitivity(working, numbers, words, key, doubt), doubt) for key, doubt in doubts.items() if doubt
        )
    notes = working.notes(numbers, words) if working.notes else ()
    return Worked(name, value, working.unit, expanded, (*working.assumptions, *notes), working.source)


def _read(working: Working, given: Mapping[str, str]) -> tuple[dict[str, Decimal], dict[str, str], dict[str, Decimal]]:
    """Numbers, words, and the expanded uncertainties of the numbers, by key."""
    known = {each.key: each for each in working.inputs}
    doubtful = [key for key, each in known.items() if each.choices is None] if not working.uncertainty else []
    for key in given:
        demand(
            key in known or key.removeprefix(UNCERTAINTY) in doubtful,
            f"{working.name} takes no {key}; it takes {', '.join(known)}"
            + (f", and {UNCERTAINTY}KEY for the uncertainty of each." if doubtful else "."),
        )
    numbers: dict[str, Decimal] = {}
    words: dict[str, str] = {}
    for key, each in known.items():
        text = given.get(key, each.default)
        if text is None:
            raise ValueError(f"{working.name} also needs {key}= ({each.unit}).")
        if text == "":
            continue  # an input that may be left out
        if each.choices is not None:
            demand(text.lower() in each.choices, f"{key} must be {' or '.join(each.choices)}, not {text!r}.")
            words[key] = each.choices[text.lower()]
        else:
            numbers[key] = _number(key, text)
    doubts = {
        key: _number(UNCERTAINTY + key, given[UNCERTAINTY + key]) for key in doubtful if UNCERTAINTY + key in given
    }
    for key, doubt in doubts.items():
        demand(doubt >= 0, f"{UNCERTAINTY}{key} must be 0 or more.")
    return numbers, words, doubts


def _number(key: str, text: str) -> Decimal:
    try:
        value = Decimal(text)
    except InvalidOperation:
        raise ValueError(f"{key} must be a number, not {text!r}.") from None
    demand(value.is_finite(), f"{key} must be a finite number, not {text!r}.")
    return value


def _sensitivity(
    working: Working, numbers: Mapping[str, Decimal], words: Mapping[str, str], key: str, doubt: Decimal
) -> Decimal:
    """The result's change per unit of an input, over its standard uncertainty to either side (JCGM 100, 5.1.3)."""
    step = doubt / formulas.COVERAGE_FACTOR
    try:
        high = working.of({**numbers, key: numbers[key] + step}, words)
        low = working.of({**numbers, key: numbers[key] - step}, words)
    except ValueError as wrong:
        raise ValueError(f"With {UNCERTAINTY}{key} the value leaves the range of the formula: {wrong}") from wrong
    assert isinstance(high, Decimal)
    assert isinstance(low, Decimal)
    return (high - low) / (2 * step)


# --- the formulas

_FUEL = Input("fuel", "natural gas or LP", choices=FUELS)
_O2 = Input("o2_percent", "percent")
_CONVENTIONS = {convention: convention for convention in formulas.DERATE_CONVENTIONS}
_GRAVITY = Input("gravity", "of air")
_DRY = "dry basis, sampled upstream of any draft hood"
_COLD = "cold resistance does not give the running value: only a resistance taken hot does, and the part's sheet rules"
_ANALYSER = "published: combustion-analyser manual appendix (constants and form)"


_CORRECTIONS = ("pressure_inH2O", "altitude_ft", "temperature_degF")


def _corrected(numbers: Mapping[str, Decimal], words: Mapping[str, str]) -> Decimal:
    """What the metered volume is multiplied by: 1 where the heating value is of the gas as the meter counts it."""
    given = [key for key in _CORRECTIONS if key in numbers]
    factor = formulas.gas_volume_factor(
        numbers.get("pressure_inH2O", Decimal(0)),
        numbers.get("altitude_ft", Decimal(0)),
        numbers.get("temperature_degF"),
    )
    if words["heating_value_basis"] == "as delivered":
        demand(
            not given,
            "A heating value as delivered is of the gas as the meter counts it, so nothing is corrected again: leave "
            f"out {' and '.join(given)}, or say heating_value_basis=standard.",
        )
        return Decimal(1)
    for key in ("pressure_inH2O", "altitude_ft"):
        demand(key in numbers, f"A heating value at standard conditions also needs {key}=, for the gas in the meter.")
    return factor


def _input_rate(numbers: Mapping[str, Decimal], words: Mapping[str, str]) -> Decimal:
    rate = formulas.input_rate_btu_h(numbers["dial_ft3"], numbers["seconds"], numbers["heating_value"])
    return round_significant(rate * _corrected(numbers, words))


def _basis_note(numbers: Mapping[str, Decimal], words: Mapping[str, str]) -> tuple[str, ...]:
    if words["heating_value_basis"] == "as delivered":
        return ("the heating value is as delivered, of the gas as the meter counts it: nothing is corrected",)
    factor = _corrected(numbers, words)
    return (f"the heating value is at standard conditions: the metered volume is multiplied by {factor:f}",)


def _derated(numbers: Mapping[str, Decimal], words: Mapping[str, str]) -> Decimal:
    demand(
        words["plate_basis"] == "sea level",
        "The plate's input is for the altitude already, so it is not derated again.",
    )
    return formulas.altitude_derated_btu_h(numbers["input_btuh"], numbers["altitude_ft"], words["convention"])


def _rise(numbers: Mapping[str, Decimal], _: Mapping[str, str]) -> Decimal:
    for key, value in numbers.items():
        demand(-100 <= value <= 1000, f"{key} must be from -100 to 1000 degF.")
    return formulas.temperature_rise(numbers["supply_degF"], numbers["return_degF"])


def _inlet_drop(numbers: Mapping[str, Decimal], _: Mapping[str, str]) -> Decimal:
    for key, value in numbers.items():
        demand(-1000 <= value <= 1000, f"{key} must be from -1000 to 1000 inH2O.")
    return numbers["standing_inH2O"] - numbers["running_inH2O"]


def _output(numbers: Mapping[str, Decimal], _: Mapping[str, str]) -> Decimal:
    demand(0 < numbers["input_btuh"] <= 10**7, "The input must be above 0 and at most 10000000 Btu/h.")
    demand(0 < numbers["efficiency_percent"] <= 100, "The efficiency must be above 0 and at most 100 percent.")
    return round_significant(numbers["input_btuh"] * numbers["efficiency_percent"] / 100)


def _airflow(numbers: Mapping[str, Decimal], _: Mapping[str, str]) -> Decimal:
    ratio = formulas.altitude_density_ratio(numbers["altitude_ft"])
    return formulas.airflow_ft3_min(numbers["output_btuh"], numbers["rise_degF"], ratio)


def _decide(numbers: Mapping[str, Decimal], words: Mapping[str, str]) -> Outcome:
    u = numbers["expanded_uncertainty"]
    demand(u >= 0, "The expanded uncertainty must be 0 or more.")
    return judge(numbers["value"], _limit(numbers, words), u).outcome


def _limit(numbers: Mapping[str, Decimal], words: Mapping[str, str]) -> Limit:
    side = {"high" if words["side"] == "upper" else "low": numbers["limit"]}
    source = Source(mark="common practice", text="the limit as given")
    return Limit(quantity="value", unit="dimensionless", authority="generic", source=source, **side)


def _probability(numbers: Mapping[str, Decimal], words: Mapping[str, str]) -> tuple[str, ...]:
    upper = words["side"] == "upper"
    p = formulas.probability_of_conformity(numbers["value"], numbers["limit"], numbers["expanded_uncertainty"], upper)
    return (f"probability of conformity {p}, of a normal distribution (from memory, verify: JCGM 106)",)


def _first(numbers: Mapping[str, Decimal]) -> tuple[Decimal, Decimal, Decimal, Decimal]:
    return numbers["reading"], numbers["percent"], numbers["counts"], numbers["resolution"]


_ALL = (
    Working(
        "input-rate",
        "input rate by clocking the meter (F1, F1c)",
        "Btu/h",
        (
            Input("dial_ft3", "ft3 a turn"),
            Input("seconds", "s"),
            Input("heating_value", "Btu/ft3, gross, from the gas supplier"),
            Input(
                "heating_value_basis",
                "as delivered: of the gas as the meter counts it; standard: of gas at 14.73 psi and 60 degF",
                "as delivered",
                {"as delivered": "as delivered", "as-delivered": "as delivered", "standard": "standard"},
            ),
            Input("pressure_inH2O", "inH2O, of the metered gas; with standard", ""),
            Input("altitude_ft", "ft; with standard", ""),
            Input("temperature_degF", "degF, of the gas; with standard, and not for a compensated meter", ""),
        ),
        _input_rate,
        'published: distributor newsletter, "Clocking a Gas Meter"; correction: Canada SOR/86-131 s. 37-38',
        {"dial_ft3": "0.5", "seconds": "22", "heating_value": "1000"},
        ("all other gas appliances on the meter are off, pilots too", "an LP supply usually has no meter"),
        notes=_basis_note,
    ),
    Working(
        "input-rate-metric",
        "input rate by clocking a metric meter (F1)",
        "kW",
        (Input("volume_m3", "m3"), Input("seconds", "s"), Input("heating_value_MJ_m3", "MJ/m3, gross")),
        lambda n, _: formulas.input_rate_kw(n["volume_m3"], n["seconds"], n["heating_value_MJ_m3"]),
        'published: UK plumbing revision site, "Working out gas rate and gross heat input (metric meter)"',
        {"volume_m3": "0.04", "seconds": "120", "heating_value_MJ_m3": "39"},
        ("all other gas appliances on the meter are off, pilots too", "the metered gas is not corrected"),
    ),
    Working(
        "temperature-rise",
        "temperature rise of the air",
        "degF",
        (Input("supply_degF", "degF, out of sight of the exchanger"), Input("return_degF", "degF")),
        _rise,
        "common practice",
        {"supply_degF": "120", "return_degF": "68"},
        ("read after five to ten minutes of steady running",),
    ),
    Working(
        "output",
        "heat output from input and efficiency (F2)",
        "Btu/h",
        (Input("input_btuh", "Btu/h, measured"), Input("efficiency_percent", "percent, steady, gross")),
        _output,
        'published: supply house, "Measuring CFMs Using Temperature Rise"',
        {"input_btuh": "80000", "efficiency_percent": "80"},
        ("the efficiency is of the appliance at a steady run",),
    ),
    Working(
        "inlet-drop",
        "inlet pressure drop from burner off to full fire",
        "inH2O",
        (Input("standing_inH2O", "inH2O, burner off"), Input("running_inH2O", "inH2O, at full fire")),
        _inlet_drop,
        "common practice",
        {"standing_inH2O": "7.2", "running_inH2O": "7"},
    ),
    Working(
        "airflow",
        "airflow from output and temperature rise (F2, F2a)",
        "ft3/min",
        (Input("output_btuh", "Btu/h"), Input("rise_degF", "degF"), Input("altitude_ft", "ft", "0")),
        _airflow,
        'published: supply house, "Measuring CFMs Using Temperature Rise"; altitude: standard atmosphere, from memory, '
        "verify",
        {"output_btuh": "64000", "rise_degF": "40", "altitude_ft": "1000"},
        ("output is the measured input times the steady efficiency", "1.08 holds for air of 0.075 lb/ft3 at sea level"),
    ),
    Working(
        "co-air-free",
        "CO air-free from CO and O2 (F3)",
        "ppm",
        (Input("co_ppm", "ppm"), _O2),
        lambda n, _: formulas.co_air_free_ppm(n["co_ppm"], n["o2_percent"]),
        "published: HVAC training site, air-free CO",
        {"co_ppm": "87", "o2_percent": "5"},
        (_DRY,),
    ),
    Working(
        "co-air-free-from-co2",
        "CO air-free from CO and CO2 (F3)",
        "ppm",
        (Input("co_ppm", "ppm"), Input("co2_percent", "percent"), _FUEL),
        lambda n, w: formulas.co_air_free_from_co2_ppm(
            n["co_ppm"], n["co2_percent"], formulas.ULTIMATE_CO2_PERCENT[w["fuel"]]
        ),
        _ANALYSER,
        {"co_ppm": "60", "co2_percent": "7", "fuel": "natural gas"},
        (_DRY,),
    ),
    Working(
        "co2",
        "CO2 from O2 (F4)",
        "%",
        (_O2, _FUEL),
        lambda n, w: formulas.co2_from_o2_percent(n["o2_percent"], w["fuel"]),
        _ANALYSER,
        {"o2_percent": "7", "fuel": "LP"},
        (_DRY,),
    ),
    Working(
        "o2",
        "O2 from CO2 (F4)",
        "%",
        (Input("co2_percent", "percent"), _FUEL),
        lambda n, w: formulas.o2_from_co2_percent(n["co2_percent"], w["fuel"]),
        _ANALYSER,
        {"co2_percent": "7", "fuel": "LP"},
        (_DRY,),
    ),
    Working(
        "excess-air",
        "excess air from O2 (F5)",
        "%",
        (
            _O2,
            _FUEL,
            Input(
                "form",
                "dry-flue or instrument",
                "dry-flue",
                {"dry-flue": "dry flue", "dry flue": "dry flue", "instrument": "instrument"},
            ),
        ),
        lambda n, w: formulas.excess_air_percent(n["o2_percent"], w["fuel"], w["form"]),
        "published: combustion-analyser manual appendix (the ratio); the fuel's factor derived",
        {"o2_percent": "7", "fuel": "natural gas"},
        (_DRY,),
        notes=lambda n, w: (
            f"by the {w['form']} form; the dry flue form gives "
            f"{formulas.excess_air_percent(n['o2_percent'], w['fuel']):f} %, the instrument form "
            f"{formulas.excess_air_percent(n['o2_percent'], w['fuel'], 'instrument'):f} %",
        ),
    ),
    Working(
        "stack-loss",
        "heat lost up the flue, net basis (F6)",
        "%",
        (Input("flue_degC", "degC"), Input("air_degC", "degC"), _O2, _FUEL),
        lambda n, w: formulas.stack_loss_net_percent(n["flue_degC"], n["air_degC"], n["o2_percent"], w["fuel"]),
        _ANALYSER,
        {"flue_degC": "200", "air_degC": "20", "o2_percent": "7", "fuel": "LP"},
        ("NET basis: never beside a gross rating plate", "no water condenses in the flue"),
    ),
    Working(
        "efficiency",
        "combustion efficiency (F6, F6a)",
        "%",
        (
            Input("flue_degC", "degC"),
            Input("air_degC", "degC"),
            _O2,
            _FUEL,
            Input("basis", "gross or net", "gross", {"gross": "gross", "net": "net"}),
        ),
        lambda n, w: formulas.efficiency_percent(n["flue_degC"], n["air_degC"], n["o2_percent"], w["fuel"], w["basis"]),
        "published: combustion-analyser manual appendix (net); the gross factor from memory, verify",
        {"flue_degC": "200", "air_degC": "20", "o2_percent": "7", "fuel": "LP"},
        ("no water condenses in the flue",),
        notes=lambda _, w: (f"{w['basis'].upper()} basis",),
    ),
    Working(
        "igniter-power",
        "power of an igniter (F7)",
        "W",
        (Input("volts", "V"), Input("ohms", "ohm")),
        lambda n, _: formulas.igniter_power_w(n["volts"], n["ohms"]),
        "exact: Ohm's law; the caution from memory, verify",
        {"volts": "120", "ohms": "60"},
        (_COLD,),
    ),
    Working(
        "igniter-current",
        "current of an igniter (F7)",
        "A",
        (Input("volts", "V"), Input("ohms", "ohm")),
        lambda n, _: formulas.igniter_current_a(n["volts"], n["ohms"]),
        "exact: Ohm's law; the caution from memory, verify",
        {"volts": "120", "ohms": "60"},
        (_COLD,),
    ),
    Working(
        "orifice-flow",
        "gas through an orifice (F8)",
        "ft3/h",
        (
            Input("diameter_in", "in"),
            Input("pressure_inH2O", "inH2O"),
            _GRAVITY,
            Input("coefficient", "of the orifice", "0.90"),
        ),
        lambda n, _: formulas.orifice_flow_ft3_h(n["diameter_in"], n["pressure_inH2O"], n["gravity"], n["coefficient"]),
        "published: BCcampus / Industry Training Authority BC, Block E: Fuel Gas Systems (2023), Appendix 2",
        {"diameter_in": "0.028", "pressure_inH2O": "3.5", "gravity": "0.6", "coefficient": "0.9"},
        ("the orifice coefficient is usually 0.85 to 0.90",),
    ),
    Working(
        "manifold-correction",
        "manifold pressure for another rate (F9)",
        "inH2O",
        (Input("rate_btuh", "Btu/h"), Input("pressure_inH2O", "inH2O"), Input("target_btuh", "Btu/h")),
        lambda n, _: formulas.manifold_for_rate_inh2o(n["rate_btuh"], n["pressure_inH2O"], n["target_btuh"]),
        "derived from the orifice equation (F8)",
        {"rate_btuh": "76000", "pressure_inH2O": "3.3", "target_btuh": "80000"},
        ("the plate's manifold band comes first: outside it the orifice is changed, not the pressure",),
    ),
    Working(
        "wobbe",
        "Wobbe index (F10)",
        "Btu/ft3",
        (Input("heating_value", "Btu/ft3, gross"), _GRAVITY),
        lambda n, _: formulas.wobbe_btu_ft3(n["heating_value"], n["gravity"]),
        "published: web page on the Wobbe number (sizes.com)",
        {"heating_value": "1030", "gravity": "0.6"},
        ("gross heating value",),
    ),
    Working(
        "wrong-gas",
        "input with another gas, over the input meant (F10a)",
        "times",
        (
            Input("wobbe", "Btu/ft3, of the gas that burns"),
            Input("pressure_inH2O", "inH2O"),
            Input("wobbe_meant", "Btu/ft3"),
            Input("pressure_meant_inH2O", "inH2O"),
        ),
        lambda n, _: formulas.wrong_gas_ratio(
            n["wobbe"], n["pressure_inH2O"], n["wobbe_meant"], n["pressure_meant_inH2O"]
        ),
        "derived from the orifice equation (F8)",
        {"wobbe": "2044", "pressure_inH2O": "10", "wobbe_meant": "1330", "pressure_meant_inH2O": "3.5"},
        ("the same orifice; far from 1 means stop at once and find out which gas and orifices are there",),
    ),
    Working(
        "altitude-derate",
        "input of the plate, derated for altitude (F11)",
        "Btu/h",
        (
            Input("input_btuh", "Btu/h, of the plate"),
            Input("altitude_ft", "ft"),
            Input(
                "convention",
                " or ".join(formulas.DERATE_CONVENTIONS),
                choices={c: c for c in formulas.DERATE_CONVENTIONS},
            ),
            Input(
                "plate_basis",
                "what the plate's input is for: sea level, or this altitude already",
                "sea level",
                {"sea level": "sea level", "sea-level": "sea level", "altitude": "altitude"},
            ),
        ),
        _derated,
        "from memory, verify: IFGC and NFPA 54 (from-sea-level); published: retailer's altitude article (above-2000), "
        "furnace makers' manuals (fan-assisted, canada)",
        {"input_btuh": "80000", "altitude_ft": "3000", "convention": "above-2000"},
        ("the plate or the maker's table comes first", "the plate's input is for sea level: never derate twice"),
        notes=lambda _, w: (f"convention: {formulas.DERATE_CONVENTIONS[w['convention']]}",),
    ),
    Working(
        "thermocouple-emf",
        "emf of a type K thermocouple, reference 0 degC (F13)",
        "mV",
        (Input("temperature_degC", "degC"),),
        lambda n, _: formulas.type_k_emf_mv(n["temperature_degC"]),
        "published: NIST Standard Reference Database 60 (ITS-90), type K",
        {"temperature_degC": "100"},
        ("the other junction is at 0 degC",),
    ),
    Working(
        "probe-tolerance",
        "what a class 2 type K probe may be off by (F13a)",
        "degC",
        (Input("temperature_degC", "degC"),),
        lambda n, _: formulas.class_2_tolerance_degc(n["temperature_degC"]),
        "published: IEC 60584-1, class 2",
        {"temperature_degC": "200"},
    ),
    Working(
        "meter-accuracy",
        "what a meter may be off by (F14)",
        "of the reading",
        (
            Input("reading", "in its unit"),
            Input("percent", "of the reading"),
            Input("counts", "digits"),
            Input("resolution", "the last digit's worth"),
        ),
        lambda n, _: formulas.meter_half_width(*_first(n)),
        "published: university physics laboratory, uncertainties of digital multimeters",
        {"reading": "32", "percent": "2.5", "counts": "3", "resolution": "0.01"},
        ("the value is the half width a; U = 2 a / sqrt(3), any error within a being as likely (JCGM 100, 4.3.7)",),
        uncertainty=lambda n: formulas.meter_uncertainty(*_first(n)),
    ),
    Working(
        "decide",
        "how a value stands against a limit (F16)",
        "",
        (
            Input("value", "in its unit"),
            Input("limit", "in the same unit"),
            Input("side", "upper or lower", choices={"upper": "upper", "lower": "lower"}),
            Input("expanded_uncertainty", "in the same unit, k = 2"),
        ),
        _decide,
        "published: ILAC-G8:09/2019, 4.2.3, guard band w = U",
        {"value": "1.3", "limit": "1.0", "side": "lower", "expanded_uncertainty": "0.36"},
        uncertainty=lambda n: n["expanded_uncertainty"],
        notes=_probability,
    ),
)

WORKINGS: dict[str, Working] = {working.name: working for working in _ALL}
