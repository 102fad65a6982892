"""What can be measured: the name of each quantity, its unit, and what the instrument for it can show."""

from __future__ import annotations

from decimal import Decimal
from enum import Enum
from typing import Literal

from assistant.trade.model import Data, UnitName


class Overload(Enum):
    """What a meter shows instead of a figure ("OL"): never a number, and never zero."""

    OPEN = "open"  # no path, where ohms are asked
    OVER_RANGE = "over-range"  # more than this range shows: take it again on a higher one


Danger = Literal[
    "stored energy",
    "live parts",
    "gas",
    "low gas",
    "light-off",
    "spark",
    "flue gas",
    "flame failure",
    "jumpers",
    "leak",
]
"""What can hurt at a step; a hazard says which it warns of, and `checking.dangers` which a step has."""


class Quantity(Data):
    """A quantity that a question can ask for."""

    name: str  # its key in the data file ("manifold-pressure")
    spoken: str  # how the assistant says it
    unit: UnitName
    low: Decimal  # the least that the usual instrument shows, in `unit`; never a limit
    high: Decimal  # the most that it shows
    resolution: Decimal  # its last digit there
    overload: Literal["open", "over-range"] = "over-range"  # what its "OL" means: an open circuit, or over the range
    confirm: Literal["always"] | None = None  # a misheard value can hurt, so that a spoken yes is needed always
    closes: bool = False  # it may be told as closed: a path that conducts, below one ohm
    trend: bool = False  # how it goes over the years tells something; it is compared aloud with earlier visits
    # It can only be read while the burner (pilot or main) lights, or while the main burner runs.
    burner: Literal["lights", "runs"] | None = None
    # From one reading to the next of the same burn, however low: its cause is looked for (common practice).
    must_not_rise: bool = False
    danger: Danger | None = None  # what can hurt where it is read, besides what its unit says
    plain: str = ""  # what it is, for somebody who owns the appliance and does not service it
