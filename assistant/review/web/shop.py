"""What a shop's store is asked for, and what it answers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from assistant.errors import Problem
from assistant.language.meaning import number_of
from assistant.record.chain import Entry

Standing = Literal["open", "signed off", "returned", "disputed", "lapsed"]
"""What a supervisor last said of a visit. "open": nobody said anything; "lapsed": it was signed off, and its record
is no longer the one that was."""

STANDINGS = ("signed off", "returned", "disputed")
"""What a supervisor can say."""

WHY_KEPT: Mapping[Standing, str] = {
    "open": "nobody has reviewed it",
    "lapsed": "its sign-off has lapsed: the record is no longer the one that was signed",
    "returned": "it was returned to the technician",
    "disputed": "it is disputed",
    "signed off": "",
}
"""Why nothing of a visit is erased that stands so; empty where it may be."""

SOMETHING_UNSAFE = "it is a visit with something unsafe"

By = Literal["crew", "microphone"]


class StoreDown(Problem):
    """The store does not answer; its one sentence says so, and what to do."""


@dataclass(frozen=True)
class Search:
    """What is looked for; an empty field is anything.

    words: in site, appliance, technician, procedure, complaint and cause. since, until: days, "2026-01-31".
    """

    words: str = ""
    crew: str = ""
    since: str = ""
    until: str = ""
    standing: str = ""
    outcome: str = ""  # "unsafe", "outside", "watch", "not checked", "unfinished"


@dataclass(frozen=True)
class ReadingSearch(Search):
    """Which readings are looked for, with where and when as in `Search`.

    quantity: has to be named. value: "open" or "over-range". outcome: of `OUTCOMES`. below, above: figures, in the
    quantity's unit.
    """

    quantity: str = ""
    value: str = ""
    below: Decimal | None = None
    above: Decimal | None = None


OUTCOMES: Mapping[str, tuple[str, ...]] = {
    "outside": ("fail", "conditional-fail"),
    "watch": ("caution", "conditional-pass"),
    "within": ("pass",),
    "not judged": ("cannot-judge", "noted"),
    "refused": ("refused",),
}
"""How a reading stands, and the verdicts that say so."""


@dataclass(frozen=True)
class Listed:
    """One visit in the list."""

    visit: str
    utc: str
    site: str
    appliance: str
    crew: str
    procedure: str
    closed: bool
    unsafe: bool  # a notice was given
    stopped: bool  # for danger
    outside: int  # how many, as the next three
    watch: int
    not_checked: int
    corrections: int
    standing: Standing
    problem: str  # what is not as it was recorded, or cannot be read; empty where nothing is


@dataclass(frozen=True)
class Review:
    """What a supervisor said of a visit: a new entry each time, never a change."""

    utc: str
    by: str
    standing: Standing
    comment: str
    head: str = ""  # of the record that was looked at
    entries: int = 0  # how many it had
    role: str = ""  # in which they were signed in; empty where nobody checks who it is


@dataclass(frozen=True)
class Kept:
    """A visit as the store keeps it."""

    visit: str
    appliance: str
    entries: Sequence[Entry]  # none where they cannot be read
    reviews: Sequence[Review]
    problems: Sequence[str] = ()  # what is not as it was recorded
    warnings: Sequence[str] = ()  # what its check cannot show
    crew: str = ""  # the technician

    @property
    def head(self) -> str:
        """The hash of its last entry."""
        return self.entries[-1].hash if self.entries else ""

    @property
    def standing(self) -> Standing:
        """How it stands."""
        return standing_of(self.reviews, len(self.entries), self.head)

    def refuse(self, review: Review) -> None:
        """Raises Problem where a review is a signature that cannot bind: the record is broken, or another one."""
        if review.standing != "signed off":
            return
        if self.problems:
            raise Problem(f"It cannot be signed off: {self.problems[0]}")
        if review.role == "supervisor" and review.by.casefold() == self.crew.casefold():
            raise Problem("A supervisor does not sign off their own visit; let another supervisor or the owner do it.")
        if (review.entries, review.head) != (len(self.entries), self.head):
            raise Problem("The record has grown or changed since it was shown; look at it again, then sign.")


def standing_of(reviews: Sequence[Review], entries: int, head: str) -> Standing:
    """How a visit stands whose record has so many entries and this head."""
    if not reviews:
        return "open"
    last = reviews[-1]
    return "lapsed" if last.standing == "signed off" and (last.entries, last.head) != (entries, head) else last.standing


@dataclass(frozen=True)
class Lodged:
    """The head that a visit's chain, its seal's entries too, had when it was sent."""

    utc: str
    entries: int
    head: str
    sound_to: int  # up to which entry the recordings came with it; 0 where they did not


@dataclass(frozen=True)
class Measured:
    """One reading of an appliance over time."""

    utc: str
    visit: str
    quantity: str
    value: str  # a figure, "open" or "over-range"; of a refused one, as it was read back
    unit: str
    outcome: str  # its verdict, or "refused"

    @property
    def number(self) -> Decimal | None:
        """The figure; None where the meter showed none, or it was refused."""
        return None if self.outcome == "refused" else number_of(self.value)


@dataclass(frozen=True)
class ReadingFound(Measured):
    """A reading that was looked for, and where it was read."""

    site: str
    appliance: str
    crew: str


@dataclass(frozen=True)
class StepCount:
    """How often a step was worked by a crew, or through a microphone, and how often something went wrong in it."""

    group: str
    step: str
    visits: int
    asked: int  # for a yes, which is nothing wrong
    refused: int
    corrected: int
    skipped: int
    unclear: int

    @property
    def wrong(self) -> int:
        """How often something went wrong."""
        return self.refused + self.corrected + self.skipped + self.unclear

    @property
    def back(self) -> int:
        """How often it was asked back, or went another way than it was heard."""
        return self.asked + self.refused + self.corrected + self.unclear


@dataclass(frozen=True)
class Day:
    """What a technician did on one day, or a shop in the week that begins with it."""

    day: str
    crew: str
    visits: int
    unsafe: int  # of them, in which something was found that forbids something, or an emergency
    dangers: int  # such things
    mended: int  # how many of these were mended in the visit


@dataclass(frozen=True)
class MeterSeen:
    """A meter as the last visit that named it has it."""

    name: str
    serial: str
    due: str  # a day; empty where the job file says none
    crew: str
    utc: str


def worst_first(counts: Iterable[StepCount]) -> list[StepCount]:
    """Those in which something went wrong, most first."""
    return sorted((count for count in counts if count.wrong), key=lambda c: (-c.wrong, c.group, c.step))
