"""What can be measured: the name of each quantity, its unit, and what the instrument for it can show."""

from __future__ import annotations

from decimal import Decimal
from enum import Enum
from typing import Literal

from pydantic import BaseModel, ConfigDict, field_validator

from assistant.trade.units import check_unit


class Overload(Enum):
    """What a meter shows instead of a figure ("OL"): never a number, and never zero."""

    OPEN = "open"  # no path, where ohms are asked
    OVER_RANGE = "over-range"  # more than this range shows: take it again on a higher one


class Quantity(BaseModel):
    """A quantity that a question can ask for.

    name: key in the data file ("manifold-pressure"); spoken: how the assistant says it.
    unit: pint name. low, high: the span that the usual instrument shows, in `unit`; never a limit.
    resolution: its last digit there. overload: what its "OL" means: an open circuit, or over the range.
    confirm: "always" where the value can hurt if it is misheard, so that a spoken yes is needed.
    trend: how it goes over the years tells something; it is compared aloud with earlier visits.
    burner: it can only be read while the burner (pilot or main) lights, or while the main burner runs.
    must_not_rise: from one reading to the next of the same burn, however low it is: its cause is looked for (common
    practice).
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    spoken: str
    unit: str
    low: Decimal
    high: Decimal
    resolution: Decimal
    overload: Literal["open", "over-range"] = "over-range"
    confirm: Literal["always"] | None = None
    trend: bool = False
    burner: Literal["lights", "runs"] | None = None
    must_not_rise: bool = False

    @field_validator("unit")
    @classmethod
    def _unit_is_known(cls, unit: str) -> str:
        check_unit(unit)
        return unit
