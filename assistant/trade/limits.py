"""Which limit counts: the plate's value of the job first, then the generic default (decision 7)."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Literal

from assistant.trade.job import Job, Only, PlateValue
from assistant.trade.judging import BOUNDS, Limit, Source
from assistant.trade.units import convert, round_significant

PLATE = Source(mark="published", text="rating plate or maker's sheet, as entered in the job file")


EmergencyKind = Literal["gas", "carbon monoxide", "fire", "unknown"]
"""What an emergency is of: by it people are told what to do."""


_OF_THE_PLATE = {*BOUNDS, "exclusive", "wants_open", "tells_percent", "authority", "source"}
"""What of a limit the plate says itself; all else holds whatever it says."""


class GenericLimit(Limit):
    """A limit of the data file, and how a plate value takes its place."""

    on_plate: bool = False  # it stands on the rating plate, in the order of the file; else on the sheet of its part
    plate_only: bool = False  # without a plate value nothing can be judged, whatever the trade's usual figures
    plate_tolerance: Decimal | None = None  # either side of a plate value that has none, in `unit`; same source
    plate_is_highest: bool = False  # a plate value is the most that is allowed, not the middle of a band
    plate_is_lowest: bool = False  # it is the least that is allowed
    plate_percent: Decimal | None = None  # further below a plate's highest a value is to watch; how far is told
    plate_tightens: bool = False  # a plate value counts only where it is stricter
    emergency_from: Decimal | None = None  # at this value and above everybody leaves
    emergency_kind: EmergencyKind | None = None  # what the emergency is of then
    only: Only = Only()

    @property
    def emergency(self) -> EmergencyKind:
        """What the emergency is of; in rules of older records, which do not say so, what it was taken for then."""
        return self.emergency_kind or ("carbon monoxide" if self.quantity == "ambient-co" else "gas")

    def with_plate(self, plate: PlateValue | None) -> Limit:
        """The limit to judge by, given what the plate says (None: nothing)."""
        if plate is None and not self.plate_only:
            return self
        fixed = {name: getattr(self, name) for name in Limit.model_fields if name not in _OF_THE_PLATE}
        if plate is None:
            return Limit(**fixed, authority="plate", source=PLATE)
        low, high = self._bounds(plate)
        if self.plate_tightens:
            low = None if self.low is None else max(self.low, self.low if low is None else low)
            high = None if self.high is None else min(self.high, self.high if high is None else high)
            if (low, high) == (self.low, self.high):
                return self
        limit = Limit(**fixed, low=low, high=high, authority="plate", source=PLATE)
        if self.plate_percent is None or high is None or low is not None:
            return limit
        watch = round_significant(high * (100 - self.plate_percent) / 100)
        return limit.model_copy(update={"caution_low": watch, "tells_percent": True})

    def _bounds(self, plate: PlateValue) -> tuple[Decimal | None, Decimal | None]:
        """The lower and the upper bound; of a strength without its sign, the weaker end first."""

        def in_unit(value: Decimal) -> Decimal:
            return convert(value, plate.unit, self.unit)

        def plain(value: Decimal) -> Decimal:
            return abs(value) if self.strength else value

        if plate.value is None:
            low, high = (None if end is None else in_unit(plain(end)) for end in (plate.low, plate.high))
            return (high, low) if low is not None and high is not None and low > high else (low, high)
        stated = plain(plate.value)
        value = in_unit(stated)
        if self.plate_is_highest:
            return None, value
        if self.plate_is_lowest:
            return value, None
        if plate.tolerance is not None:
            return in_unit(stated - plate.tolerance), in_unit(stated + plate.tolerance)
        tolerance = self.plate_tolerance or Decimal(0)
        return value - tolerance, value + tolerance


def limit_for(quantity: str, generic: Mapping[str, GenericLimit], job: Job) -> Limit | None:
    """The limit for a quantity at this job; None where it has none by design; without bounds where unknown."""
    rule = generic.get(quantity)
    return rule.with_plate(job.plate.get(quantity)) if rule else None
