"""The job file: what is known before the visit of the appliance, the people and the meters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, field_validator, model_validator

from assistant.trade.judging import MeterAccuracy
from assistant.trade.model import Data, UnitName
from assistant.trade.units import UNITS

Fuel = Literal["natural gas", "LP"]
Ignition = str
"""The name of an ignition system in the table of procedures."""
Pace = Literal["brief", "full"]
VisitKind = Literal["yearly check", "no heat", "commissioning", "safety test"]
Fitted = Literal[
    "pressure switch",
    "limit switch",
    "rollout switch",
    "thermocouple",
    "thermopile",
    "condensate trap",
    "draft hood",
]
"""Parts that an appliance may have or not, and whose tests are left out where it has not."""


SAID_FOR = {
    **{unit.symbol: name for name, unit in reversed(UNITS.items()) if unit.symbol},  # °F is a temperature, no rise
    **{word: name for name, unit in reversed(UNITS.items()) for word in (unit.one, unit.several)},
    **{"inches": "inH2O", "inch": "inH2O", "psig": "psi", "btu/h": "Btu_per_hour", "btuh": "Btu_per_hour"},
    **{"propane": "LP", "lp": "LP", "lpg": "LP", "lp gas": "LP", "natural": "natural gas"},
    **{"tune up": "yearly check", "tune-up": "yearly check"},
}
"""What people write in a job file for its own words: the symbol of a unit as it is printed, the rest in any case."""


def _own_word(said: object) -> object:
    return SAID_FOR.get(said.strip(), SAID_FOR.get(said.strip().lower(), said)) if isinstance(said, str) else said


def known_systems(names: Sequence[Ignition], info: ValidationInfo) -> tuple[Ignition, ...]:
    """The names, and with each those of the systems that are worked as it is, where a file is read.

    info: its context is the systems of the tables, each with the one that it is worked as; a record has none, for its
    names were known when it was written.

    Raises:
        ValueError: one sentence for a name that no table has.
    """
    systems: Mapping[Ignition, Ignition | None] | None = info.context
    if systems is None:
        return tuple(names)
    if unknown := [name for name in names if name not in systems]:
        raise ValueError(f"there is no ignition system {unknown[0]!r}; the table has {', '.join(systems)}")
    return tuple(dict.fromkeys((*names, *(name for name, like in systems.items() if like in names))))


def _known(name: Ignition, info: ValidationInfo) -> Ignition:
    known_systems([name], info)
    return name


KnownIgnition = Annotated[Ignition, AfterValidator(_known)]
"""An ignition system that the tables have, where a file is read."""


def _one_or_more(value: object) -> object:
    return (value,) if isinstance(value, str) else value


class Only(Data):
    """For which fuels, ignition systems and kinds of visit something holds; what is not named does not matter.

    In a file each is one name or a list of names.
    """

    fuel: Annotated[tuple[Fuel, ...], BeforeValidator(_one_or_more, Fuel | tuple[Fuel, ...])] = ()
    ignition: Annotated[tuple[Ignition, ...], BeforeValidator(_one_or_more, Ignition | tuple[Ignition, ...])] = ()
    visit: Annotated[tuple[VisitKind, ...], BeforeValidator(_one_or_more, VisitKind | tuple[VisitKind, ...])] = ()

    @field_validator("ignition")
    @classmethod
    def _systems_are_known(cls, names: tuple[Ignition, ...], info: ValidationInfo) -> tuple[Ignition, ...]:
        return known_systems(names, info)

    def holds(self, fuel: Fuel, ignition: Ignition, visit: VisitKind) -> bool:
        """Whether it holds for this fuel, ignition system and kind of visit."""
        actual = ((self.fuel, fuel), (self.ignition, ignition), (self.visit, visit))
        return all(not wanted or it in wanted for wanted, it in actual)


class Person(Data):
    """Somebody at work."""

    name: str  # as it should stand in the report
    licence: str = ""  # free text; the tool does not check it and grants nothing


class Appliance(Data):
    """What is serviced."""

    description: str  # what it is, so that somebody else finds it
    tag: str = ""  # what tells it from others at the same site, as on its own label
    fuel: Annotated[Fuel, BeforeValidator(_own_word, Fuel)]  # the gas it burns
    ignition: KnownIgnition  # how it lights
    serial: str = ""  # as on its plate
    igniter_material: Literal["silicon carbide", "silicon nitride"] | None = None  # of a hot surface igniter
    fitted: tuple[Fitted, ...] | None = None  # which of these it has; left out: each is asked for


class PlateValue(Data):
    """A value from the rating plate, the maker's sheet or the part's own sheet.

    Either `value` with an optional `tolerance`, or a range by `low` and `high`, all in `unit` (pint name).
    """

    unit: Annotated[UnitName, BeforeValidator(_own_word, str)]  # of all that is given here
    value: Decimal | None = None  # one figure; or give low and high, or one of the two
    tolerance: Decimal | None = Field(default=None, ge=0)  # of the value, up and down; left out: the generic limit's
    low: Decimal | None = None  # the least that it may be
    high: Decimal | None = None  # the most that it may be

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if (self.value is None) == (self.low is None and self.high is None):
            raise ValueError("give either value, or low and high")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError("low is above high")
        return self


class Gas(Data):
    """The gas and its meter."""

    heating_value_btu_ft3: Decimal = Field(gt=0)  # as the supplier gives it, at the meter's conditions
    dial_ft3: Decimal = Field(gt=0)  # the meter's test dial, in cubic feet a turn


class Meter(Data):
    """A meter in use."""

    name: str  # as it should stand in the report
    measures: tuple[str, ...]  # the quantities read with it
    accuracy: MeterAccuracy | None = None  # as its manual states it; without it readings are judged as they are
    low: Decimal | None = None  # its range, in accuracy.unit
    high: Decimal | None = None  # likewise
    serial: str = ""  # as on the meter
    calibrated: str = ""  # date as written on it
    calibration_due: Annotated[str, BeforeValidator(str)] = Field(  # date as written on it: 2027-03-02
        default="", pattern=r"^(\d{4}-\d{2}-\d{2})?$"
    )
    lead_zero: Decimal = Decimal(0)  # what it shows with its leads shorted, in ohms; taken off resistance readings


class Job(Data):
    """One visit's job file."""

    invented: bool = False  # only the jobs of the demo say this: no such site, people or appliance exist
    pace: Pace | None = None  # of the talk; left out: full for a technician's first visits, then brief
    site: str  # where it is, as it should stand in the report; visits to one site are compared
    visit: Annotated[VisitKind, BeforeValidator(_own_word, VisitKind)] = "yearly check"  # what the visit is for
    appliance: Appliance  # what is serviced
    technician: Person  # who works
    helper: Person | None = None  # who reads meters out, if anybody
    plate: dict[str, PlateValue] = Field(default_factory=dict)  # what the plate and the sheets say, by quantity
    gas: Gas | None = None  # for clocking the gas meter
    previous: dict[str, Decimal] = Field(default_factory=dict)  # the last values; one far from it is asked
    meters: tuple[Meter, ...] = ()  # those in use; of two that measure the same the first counts

    def meter_for(self, quantity: str) -> Meter | None:
        """The first meter that measures this quantity."""
        return next((meter for meter in self.meters if quantity in meter.measures), None)

    def appliance_key(self) -> str:
        """The one name under which visits to the same appliance are found: its site, and its tag or description.

        The site is always part of it: "unit 1" stands at many sites, and the history of another appliance would
        be worse than none.
        """
        return " ".join(f"{self.site}: {self.appliance.tag.strip() or self.appliance.description}".split())
