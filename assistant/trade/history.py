"""Earlier visits to the same appliance: what was read then, how fast it goes, and when it would meet its limit.

A slope is a straight line through few points, and nothing makes an appliance follow it. It is spoken as "at this
slope" and never as a promise, and not at all where the points scatter about the line, or lie within half a year.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from assistant.trade.judging import Limit
from assistant.trade.model import Data
from assistant.trade.units import round_significant

# A reading this many times the last visit's, or this part of it, is asked (common practice).
FAR = Decimal(3)
# Within this many of the meter's last digits of zero a ratio says nothing (convention of this file).
DIGITS_NEAR_ZERO = 10

POINTS = 3  # from how many visits on, this one too, there is a slope
SPAN_DAYS = 180  # what they must span at least (convention of this file)
LOOK_AHEAD_YEARS = 10  # further on nothing is said (convention of this file)
_DAYS_A_YEAR = Decimal("365.25")


class Earlier(Data):
    """A reading, or a finding, of an earlier visit: the last that stood there.

    quantity: its name, or that of the finding. value: as judged, in `unit` (pint name). date: of the visit, as
    2025-11-04; empty where it is not known. days_ago: before the visit in hand.
    """

    quantity: str
    value: Decimal
    unit: str
    date: str = ""
    days_ago: int = 0


class History(Data):
    """What is known of the appliance when a visit begins. date: of this visit, as 2026-11-26.

    earlier: oldest first.
    """

    date: str = ""
    earlier: tuple[Earlier, ...] = ()

    def of(self, quantity: str) -> tuple[Earlier, ...]:
        """The earlier values of a quantity or finding, oldest first."""
        return tuple(each for each in self.earlier if each.quantity == quantity)


@dataclass(frozen=True)
class Slope:
    """A straight line through the values of several visits.

    per_year: by how much it rises in a year, below zero where it falls; in the unit of the values.
    years_to_limit: from today until the line meets the limit that it heads for; None where it heads for none, is
    past it, or meets it only after `LOOK_AHEAD_YEARS`. limit: that bound.
    """

    per_year: Decimal
    years_to_limit: Decimal | None = None
    limit: Decimal | None = None


def slope(earlier: Sequence[Earlier], today: Decimal, limit: Limit | None) -> Slope | None:
    """The slope over the earlier values and today's, by least squares.

    None with fewer than `POINTS` values, where they span less than `SPAN_DAYS`, or where they scatter: what the
    points lie off the line (root mean square, n - 2 degrees of freedom) is more than half of what the line rises or
    falls over them (convention of this file).

    earlier: all in the unit of `today` and of `limit`.
    """
    points = [(Decimal(-each.days_ago) / _DAYS_A_YEAR, each.value) for each in earlier] + [(Decimal(0), today)]
    span = max(x for x, _ in points) - min(x for x, _ in points)
    if len(points) < POINTS or span * _DAYS_A_YEAR < SPAN_DAYS:
        return None
    count = len(points)
    mean_x, mean_y = _sum(x for x, _ in points) / count, _sum(y for _, y in points) / count
    per_year = _sum((x - mean_x) * (y - mean_y) for x, y in points) / _sum((x - mean_x) ** 2 for x, _ in points)
    now = mean_y - per_year * mean_x
    off = (_sum((y - now - per_year * x) ** 2 for x, y in points) / (count - 2)).sqrt()
    if per_year == 0 or off > abs(per_year) * span / 2:
        return None
    bound = None if limit is None else limit.low if per_year < 0 else limit.high
    years = None if bound is None else (bound - now) / per_year
    if years is None or not 0 < years <= LOOK_AHEAD_YEARS:
        return Slope(round_significant(per_year, 2))
    return Slope(round_significant(per_year, 2), round_significant(years, 2), bound)


def _sum(values: Iterable[Decimal]) -> Decimal:
    return sum(values, Decimal(0))


def is_far(value: Decimal, last: Decimal, resolution: Decimal) -> bool:
    """Whether a value is more than `FAR` times the last visit's, or less than that part of it.

    resolution: worth of the meter's last digit, in the unit of both.
    """
    if last == 0 or max(abs(value), abs(last)) <= DIGITS_NEAR_ZERO * resolution:
        return False
    ratio = value / last
    return ratio > FAR or ratio < 1 / FAR
