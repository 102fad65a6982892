"""What all crews of a shop did, in figures: by week, by technician, by question. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import date, timedelta

from assistant.review.web.shop import Day, MeterSeen, StepCount

DUE_SOON = timedelta(days=30)
"""How long before a meter is due it is said (common practice)."""


@dataclass(frozen=True)
class Tally:
    """How often something happened at a step, in all."""

    name: str
    asked: int
    refused: int
    corrected: int
    skipped: int
    unclear: int

    @property
    def back(self) -> int:
        """How often it was asked back, or went another way than it was heard."""
        return self.asked + self.refused + self.corrected + self.unclear


def weeks(days: Iterable[Day], first: date, last: date) -> list[Day]:
    """What was done in each week from that of `first` to that of `last`; each has the day of its Monday."""
    found: dict[str, Day] = {}
    monday = _monday(first)
    while monday <= last:
        found[monday.isoformat()] = Day(monday.isoformat(), "", 0, 0, 0, 0)
        monday += timedelta(weeks=1)
    for day in days:
        week = found.get(_monday(date.fromisoformat(day.day)).isoformat())
        if week:
            found[week.day] = _sum(week, day)
    return list(found.values())


def by_crew(days: Iterable[Day]) -> dict[str, Day]:
    """What each technician did."""
    found: dict[str, Day] = {}
    for day in days:
        found[day.crew] = _sum(found.get(day.crew, Day("", day.crew, 0, 0, 0, 0)), day)
    return found


def tally(counts: Iterable[StepCount], by: str) -> list[Tally]:
    """The counts of steps, in all, by "group" or by "step"; by name."""
    sums: dict[str, Counter[str]] = {}
    names = [field.name for field in fields(Tally) if field.name != "name"]
    for count in counts:
        sums.setdefault(getattr(count, by), Counter()).update({name: getattr(count, name) for name in names})
    return [Tally(name, **{each: sums[name][each] for each in names}) for name in sorted(sums)]


def due(meters: Sequence[MeterSeen], today: date) -> list[tuple[MeterSeen, str]]:
    """The meters that are to be calibrated, the most urgent first, with why: "overdue", "soon", "no date"."""
    soon = (today + DUE_SOON).isoformat()
    dated = [(each, "overdue" if each.due < today.isoformat() else "soon") for each in meters if "" < each.due <= soon]
    return [*dated, *((each, "no date") for each in meters if not each.due)]


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _sum(of: Day, more: Day) -> Day:
    return Day(
        of.day,
        of.crew,
        of.visits + more.visits,
        of.unsafe + more.unsafe,
        of.dangers + more.dangers,
        of.mended + more.mended,
    )
