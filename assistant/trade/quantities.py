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

    name: str
    """Its key in the data file ("manifold-pressure")."""
    spoken: str
    """How the assistant says it."""
    unit: UnitName
    low: Decimal
    """The least that the usual instrument shows, in `unit`; never a limit."""
    high: Decimal
    """The most that it shows."""
    resolution: Decimal
    """Its last digit there."""
    overload: Literal["open", "over-range"] = "over-range"
    """What its "OL" means: an open circuit, or over the range."""
    confirm: Literal["always"] | None = None
    """A misheard value can hurt, so that a spoken yes is needed always."""
    closes: bool = False
    """It may be told as closed: a path that conducts, below one ohm."""
    trend: bool = False
    """How it goes over the years tells something; it is compared aloud with earlier visits."""
    burner: Literal["lights", "runs"] | None = None
    """It can only be read while the burner (pilot or main) lights, or while the main burner runs."""
    must_not_rise: bool = False
    """From one reading to the next of the same burn, however low: its cause is looked for (common practice)."""
    danger: Danger | None = None
    """What can hurt where it is read, besides what its unit says."""
    plain: str = ""
    """What it is, for somebody who owns the appliance and does not service it."""
