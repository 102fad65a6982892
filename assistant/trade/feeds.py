"""What feeds a working in a visit: readings, what the job file says, another working, or a generic figure.

The formulas are in `workings`; here is where their inputs come from when one is asked for by voice.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

from assistant.trade import units
from assistant.trade.formulas.uncertainty import expanded_from_half_width
from assistant.trade.job import Fuel, Job
from assistant.trade.workings import UNCERTAINTY, WORKINGS, Worked, work_out

Origin = Literal["reading", "said", "job file", "worked out", "generic"]


@dataclass(frozen=True)
class Feed:
    """Where one input comes from: the first of these that there is.

    quantity: a reading of the visit, converted to `unit` where one is given. job: of the job file. working: the
    result of another working. generic: a figure that stands in where nobody knows better, for the fuel `generic_for`
    or any; `generic_says` names it. ask: the quantity may be asked aside, for nothing at it can hurt; else it is read
    at its own step, with its warnings. burner: what is asked is read with the burner running. half_width_percent:
    what a value of the job file or one that is said may be off by, where no meter tells.
    """

    quantity: str = ""
    job: Callable[[Job], Decimal | str | None] | None = None
    working: str = ""
    generic: Decimal | None = None
    generic_says: str = ""
    generic_for: Fuel | None = None
    unit: str = ""
    ask: bool = False
    burner: bool = False
    half_width_percent: Decimal | None = None


@dataclass(frozen=True)
class Spoken:
    """A working that can be asked for in a visit.

    name: in `WORKINGS`. says: how it is said. unit: pint name of the result. finding: the finding that it is too,
    whose limit judges it. generic_says: a constant that it rests on besides its feeds. caution: said with it.
    """

    name: str
    says: str
    unit: str
    feeds: Mapping[str, Feed]
    finding: str = ""
    generic_says: str = ""
    caution: str = ""


@dataclass(frozen=True)
class Known:
    """An input that is known. value: a word where the formula takes one. expanded_uncertainty: None: not known."""

    value: Decimal | str
    unit: str
    origin: Origin
    expanded_uncertainty: Decimal | None = None


@dataclass(frozen=True)
class Lacking:
    """An input that is not known. quantity: its name; empty where `says` tells in a sentence why nothing helps."""

    quantity: str
    feed: Feed
    says: str = ""


@dataclass(frozen=True)
class Result:
    """What was worked out. whole: the uncertainty of every input is in that of the result. generic: figures that
    it rests on which are nobody's own, as they are said."""

    worked: Worked
    inputs: Mapping[str, Known]
    whole: bool
    generic: tuple[str, ...] = field(default=())


def _fuel(job: Job) -> str:
    return job.appliance.fuel


def _dial(job: Job) -> Decimal | None:
    return job.gas.dial_ft3 if job.gas else None


def _heating_value(job: Job) -> Decimal | None:
    return job.gas.heating_value_btu_ft3 if job.gas else None


def _plate_input(job: Job) -> Decimal | None:
    plate = job.plate.get("input-rate")
    value = None if plate is None else plate.value if plate.value is not None else plate.high
    return None if plate is None or value is None else units.convert(value, plate.unit, "Btu_per_hour")


_FUEL = Feed(job=_fuel)
_SUPPLY = Feed(quantity="supply-temperature", ask=True, burner=True)
_RETURN = Feed(quantity="return-temperature", ask=True, burner=True)
_O2 = Feed(quantity="flue-oxygen")

_ALL = (
    Spoken(
        "temperature-rise",
        "temperature rise",
        "delta_degF",
        {"supply_degF": _SUPPLY, "return_degF": _RETURN},
        "temperature-rise",
    ),
    Spoken(
        "input-rate",
        "input rate",
        "Btu_per_hour",
        {
            "seconds": Feed("meter-dial-seconds", ask=True, burner=True),
            # The gas meter 1 %, the heating value 1.5 %: from memory, verify.
            "dial_ft3": Feed("dial-size", _dial, ask=True, half_width_percent=Decimal(1)),
            "heating_value": Feed(
                "heating-value",
                _heating_value,
                # Natural gas as mostly supplied (common practice); the supplier's own figure comes first.
                generic=Decimal(1030),
                generic_says="heating value",
                generic_for="natural gas",
                ask=True,
                half_width_percent=Decimal("1.5"),
            ),
        },
        "input-rate",
    ),
    Spoken(
        "output",
        "output",
        "Btu_per_hour",
        {
            "input_btuh": Feed(working="input-rate"),
            # Steady efficiency of a furnace that does not condense: common practice, 78 to 83 %.
            "efficiency_percent": Feed(working="efficiency", generic=Decimal(80), generic_says="efficiency"),
        },
    ),
    Spoken(
        "airflow",
        "air flow",
        "cubic_foot_per_minute",
        {"output_btuh": Feed(working="output"), "rise_degF": Feed(working="temperature-rise")},
        generic_says="air at sea level",
    ),
    Spoken(
        "co-air-free", "C O air free", "ppm", {"co_ppm": Feed(quantity="flue-co"), "o2_percent": _O2}, "co-air-free"
    ),
    Spoken("excess-air", "excess air", "percent", {"o2_percent": _O2, "fuel": _FUEL}, generic_says="gas"),
    Spoken(
        "efficiency",
        "efficiency",
        "percent",
        {
            "flue_degC": Feed(quantity="flue-temperature", unit="degC"),
            "air_degC": Feed(quantity="combustion-air-temperature", unit="degC", ask=True),
            "o2_percent": _O2,
            "fuel": _FUEL,
        },
        generic_says="gas",
        caution="It holds while no water condenses.",
    ),
    Spoken(
        "inlet-drop",
        "inlet pressure drop",
        "inH2O",
        {
            "standing_inH2O": Feed(quantity="inlet-pressure"),
            "running_inH2O": Feed(quantity="inlet-pressure-running"),
        },
        "inlet-drop",
    ),
    Spoken(
        "manifold-correction",
        "manifold pressure for the plate's input",
        "inH2O",
        {
            "rate_btuh": Feed(working="input-rate"),
            "pressure_inH2O": Feed(quantity="manifold-pressure"),
            "target_btuh": Feed(job=_plate_input),
        },
        caution="The plate's band comes first. Outside it the orifice is changed, not the pressure.",
    ),
)

SPOKEN: dict[str, Spoken] = {spoken.name: spoken for spoken in _ALL}


def feed(name: str, job: Job, known: Callable[[str], Known | None], declined: Collection[str] = ()) -> Result | Lacking:
    """Works out `name`, or says which input is lacking: the first, in the order of the feeds.

    known: a quantity's reading, or what was said for it. declined: quantities that nobody knows here; their generic
    figure stands in.

    Raises:
        ValueError: one sentence, where the inputs do not fit the formula.
    """
    spoken = SPOKEN[name]
    inputs: dict[str, Known] = {}
    generic = [spoken.generic_says] if spoken.generic_says else []
    whole = True
    for key, of in spoken.feeds.items():
        if of.working:
            got = feed(of.working, job, known, declined)
            if isinstance(got, Lacking) and of.generic is None:
                return got
            if isinstance(got, Result) and isinstance(got.worked.value, Decimal):
                inputs[key] = Known(got.worked.value, got.worked.unit, "worked out", got.worked.expanded_uncertainty)
                generic += got.generic
                whole = whole and got.whole
                continue
        found = _known(of, job, known, declined)
        if found is None:
            says = "" if of.quantity else "The job file does not give what it needs from the plate."
            return Lacking(of.quantity, of, says)
        if found.origin == "generic":
            generic.append(of.generic_says)
        inputs[key] = found
        whole = whole and (isinstance(found.value, str) or found.expanded_uncertainty is not None)
    given = {key: f"{each.value:f}" if isinstance(each.value, Decimal) else each.value for key, each in inputs.items()}
    doubts = {
        UNCERTAINTY + key: f"{each.expanded_uncertainty:f}"
        for key, each in inputs.items()
        if each.expanded_uncertainty is not None
    }
    return Result(work_out(name, {**given, **doubts}), inputs, whole, tuple(dict.fromkeys(generic)))


def _known(of: Feed, job: Job, known: Callable[[str], Known | None], declined: Collection[str]) -> Known | None:
    found = known(of.quantity) if of.quantity else None
    if found is not None:
        return _doubted(_in_unit(found, of.unit), of)
    given = of.job(job) if of.job else None
    if given is not None:
        return _doubted(Known(given, of.unit, "job file"), of)
    if of.generic is None or of.generic_for not in (None, job.appliance.fuel):
        return None
    return Known(of.generic, of.unit, "generic") if not of.quantity or of.quantity in declined else None


def _in_unit(found: Known, unit: str) -> Known:
    if not unit or isinstance(found.value, str) or found.unit == unit:
        return found
    doubt = found.expanded_uncertainty
    if doubt is not None:
        doubt = units.convert(doubt, f"delta_{found.unit}", f"delta_{unit}")  # only temperatures are converted
    return Known(units.convert(found.value, found.unit, unit), unit, found.origin, doubt)


def _doubted(found: Known, of: Feed) -> Known:
    """With the usual doubt of what no meter tells; an exact word has none."""
    if of.half_width_percent is None or isinstance(found.value, str) or found.expanded_uncertainty is not None:
        return found
    width = expanded_from_half_width(found.value * of.half_width_percent / 100)
    return Known(found.value, found.unit, found.origin, width)


assert all(set(of.feeds) <= {i.key for i in WORKINGS[name].inputs} for name, of in SPOKEN.items())
