"""What all crews of a shop did, in figures: by week, by technician, by question. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from datetime import date, timedelta
from typing import Any, TypeVar

from assistant.review.web.shop import Day, MeterSeen, StepCount

DUE_SOON = timedelta(days=30)
"""How long before a meter is due it is said (common practice)."""

Counted = TypeVar("Counted", Day, StepCount)


def in_all(rows: Iterable[Counted], by: str) -> dict[str, Counted]:
    """The figures of rows in all, by one of the names that they have; the others are left empty."""
    groups: dict[str, list[Counted]] = {}
    for row in rows:
        groups.setdefault(getattr(row, by), []).append(row)
    return {name: _sum(group, by) for name, group in groups.items()}


def _sum(rows: Sequence[Counted], by: str) -> Counted:
    columns = {field.name: [getattr(row, field.name) for row in rows] for field in fields(rows[0]) if field.name != by}
    sums: dict[str, Any] = {name: sum(found) if isinstance(found[0], int) else "" for name, found in columns.items()}
    return replace(rows[0], **sums)


def weeks(days: Iterable[Day], first: date, last: date) -> list[Day]:
    """What was done in each week from that of `first` to that of `last`; each has the day of its Monday."""
    begin = first - timedelta(days=first.weekday())
    mondays = [(begin + timedelta(weeks=week)).isoformat() for week in range((last - begin).days // 7 + 1)]
    worked = [replace(day, day=_monday(day.day)) for day in days]
    none = [Day(monday, "", 0, 0, 0, 0) for monday in mondays]
    found = in_all([*none, *worked], "day")
    return [found[monday] for monday in mondays]


def _monday(day: str) -> str:
    at = date.fromisoformat(day)
    return (at - timedelta(days=at.weekday())).isoformat()


def due(meters: Sequence[MeterSeen], today: date) -> list[tuple[MeterSeen, str]]:
    """The meters that are to be calibrated, the most urgent first, with why: "overdue", "soon", "no date"."""
    soon = (today + DUE_SOON).isoformat()
    dated = [(each, "overdue" if each.due < today.isoformat() else "soon") for each in meters if "" < each.due <= soon]
    return [*dated, *((each, "no date") for each in meters if not each.due)]
