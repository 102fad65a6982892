"""What a shop's store is asked for, and what it answers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from assistant.errors import Problem
from assistant.record.chain import Entry

Standing = Literal["open", "signed off", "returned"]
"""What a supervisor last said of a visit; "open" before anybody did."""

By = Literal["crew", "microphone"]


class StoreDown(Problem):
    """The store does not answer; its one sentence says so, and what to do."""


@dataclass(frozen=True)
class Search:
    """What is looked for; an empty field is anything. words: in site, appliance and people."""

    words: str = ""
    crew: str = ""
    standing: str = ""
    outcome: str = ""  # "unsafe", "outside", "watch", "not checked", "unfinished"


@dataclass(frozen=True)
class Listed:
    """One visit in the list. outside, watch, not_checked, corrections: how many. unsafe: a notice was given."""

    visit: str
    utc: str
    site: str
    appliance: str
    crew: str
    procedure: str
    closed: bool
    unsafe: bool
    outside: int
    watch: int
    not_checked: int
    corrections: int
    standing: Standing


@dataclass(frozen=True)
class Review:
    """What a supervisor said of a visit: a new entry each time, never a change."""

    utc: str
    by: str
    standing: Standing
    comment: str


@dataclass(frozen=True)
class Kept:
    """A visit as the store keeps it. problems: what the check of its chain finds."""

    visit: str
    appliance: str
    entries: Sequence[Entry]
    reviews: Sequence[Review]
    problems: Sequence[str] = ()


@dataclass(frozen=True)
class Measured:
    """One reading of an appliance over time."""

    utc: str
    visit: str
    quantity: str
    value: Decimal
    unit: str
    outcome: str


@dataclass(frozen=True)
class StepCount:
    """How often a step was worked by a crew, or through a microphone, and how often something went wrong in it."""

    group: str
    step: str
    visits: int
    refused: int
    corrected: int
    skipped: int
    unclear: int

    @property
    def wrong(self) -> int:
        """How often something went wrong."""
        return self.refused + self.corrected + self.skipped + self.unclear


def worst_first(counts: Iterable[StepCount]) -> list[StepCount]:
    """Those in which something went wrong, most first."""
    return sorted((count for count in counts if count.wrong), key=lambda c: (-c.wrong, c.group, c.step))
