"""Faults: from what was observed to the probable causes, and to the measurement that tells the most.

One fault is assumed at a time. What was seen picks rows of the table; a row's order is the prior of its causes,
each half as likely as the one before it (common practice: the order; the halving is a convention of this file).
Every observation multiplies by how often the cause shows that outcome (naive Bayes). Within a row every cause shows
what the row is `seen` by, unless the cause says otherwise itself: that picked the row, and tells nothing between its
causes. A cause that stands in several of the rows is held by each of them, and what one row is seen by speaks as
usual to the causes of the others. A cause that falls below `EXCLUDED` has dropped out.

The next measurement is the one with the highest expected information (the mutual information of cause and outcome,
in bits). Those that the present state of power and gas allows come before any that needs a change of either, and
what alters the appliance comes last.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import Any, Literal, Self

from pydantic import Field, field_validator, model_validator

from assistant.trade.job import Appliance, Only
from assistant.trade.judging import Limit, Value
from assistant.trade.model import Data
from assistant.trade.procedures import State, Step
from assistant.trade.quantities import Overload

SHOWN = 0.9  # how often a cause shows the outcome that is its mark (convention of the data file)
USUAL = 0.95  # how often an observation that the cause does not touch is as usual
EXCLUDED = 0.01  # posterior below which a cause has dropped out
UNTOLD = 0.05  # bits below which a measurement tells nothing
UNUSUAL = "unusual"  # an outcome: any but the usual one, as the "no" of a check

Evidence = Mapping[str, str]  # observation -> outcome


class Observation(Data):
    """Something to look at or to measure."""

    say: str  # how it is spoken
    usual: str  # its outcome where the fault does not touch it
    quantity: str | None = None  # the reading that decides it
    none_below: Decimal | None = None  # a reading below it, in its limit's unit, means none (common practice)
    # The check that decides it -> its answer -> the outcome, `UNUSUAL` where it may be several.
    steps: dict[str, dict[Literal["yes", "no"], str]] = Field(default_factory=dict)
    repair: str | None = None  # what repair it is
    rereads: str | None = None  # the quantity that is read again after it: "better" where it then passes, else "same"
    power: Literal["dead", "live"] | None = None  # the state that it needs; None is any
    gas: Literal["shut", "on"] | None = None
    alters: bool = False  # it changes what was found, so everything else is observed before it

    def at(self, step: Step) -> tuple[str, ...] | None:
        """The outcomes that a step tells apart, () for all that there are; None where it does not observe this."""
        if step.id in self.steps:
            return tuple(self.steps[step.id].values())
        return () if self.quantity and self.quantity in (*step.quantities, *step.works_out) else None

    def fits(self, site: State) -> bool:
        """Whether it can be observed in this state of power and gas."""
        return (self.power in (None, site.power)) and (self.gas in (None, site.gas))


class _Of(Data):
    """Something that only some appliances can have. only: which, by fuel and ignition system."""

    only: Only = Only()

    @field_validator("only")
    @classmethod
    def _of_any_visit(cls, only: Only) -> Only:
        if only.visit:
            raise ValueError("a fault is of a fuel and an ignition system, never of a kind of visit")
        return only

    def holds(self, appliance: Appliance) -> bool:
        """Whether this appliance can have it."""
        return (not self.only.fuel or appliance.fuel in self.only.fuel) and (
            not self.only.ignition or appliance.ignition in self.only.ignition
        )


class Cause(_Of):
    """shows: observation -> the outcome that marks it, or outcome -> how often it is seen, 0 to 1."""

    shows: dict[str, str | dict[str, float]] = Field(default_factory=dict)


class Row(_Of):
    """One row of the table. seen: what picks it, all of it; with none it is picked by its name only."""

    symptom: str
    seen: dict[str, str] = Field(default_factory=dict)
    causes: tuple[str, ...] = Field(min_length=1)
    next: tuple[str, ...]

    @model_validator(mode="before")
    @classmethod
    def _as_records_have_it(cls, row: Any) -> Any:
        """Older records hold tables whose rows have a fuel and no `only`."""
        if isinstance(row, Mapping) and "fuel" in row:
            fuel = row["fuel"]
            return {**{k: v for k, v in row.items() if k != "fuel"}, "only": {"fuel": fuel} if fuel else {}}
        return row


class Symptom(Data):
    """What people say of an appliance. In a file and in older records a list is its rows.

    rows: the rows that it may be, the likelier first. hint: what would tell more, said when it is told.
    never_run_as_found: what may hurt at the next lighting; no cycle is run before the cold checks.
    """

    rows: tuple[str, ...] = Field(min_length=1)
    never_run_as_found: bool = False
    hint: str = ""

    @model_validator(mode="before")
    @classmethod
    def _may_be_its_rows(cls, written: Any) -> Any:
        return written if isinstance(written, Mapping | Symptom) else {"rows": written}


@dataclass(frozen=True)
class Probable:
    """A cause and its probability, 0 to 1, among the causes of the table.

    rows: the picked rows that hold it, each with its share of that, 0 to 1.
    """

    cause: str
    probability: float
    rows: tuple[tuple[Row, float], ...]


class Faults(Data):
    """The table of faults, whole. symptoms: what people say of it, by its name."""

    observations: dict[str, Observation] = Field(default_factory=dict)
    causes: dict[str, Cause] = Field(default_factory=dict)
    rows: tuple[Row, ...] = ()
    symptoms: dict[str, Symptom] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _names_exist(self) -> Self:
        rows = {row.symptom for row in self.rows}
        for row in self.rows:
            _listed(f"the row {row.symptom!r} names the cause", row.causes, self.causes)
            _listed(f"the row {row.symptom!r} names the observation", (*row.seen, *row.next), self.observations)
        for name, cause in self.causes.items():
            _listed(f"the cause {name!r} shows the observation", cause.shows, self.observations)
            if not any(name in row.causes for row in self.rows):
                raise ValueError(f"the cause {name!r} is in no row")
        for name, symptom in self.symptoms.items():
            _listed(f"the symptom {name!r} names the row", symptom.rows, rows)
        return self

    def rows_of(self, symptom: str, appliance: Appliance) -> tuple[Row, ...]:
        """The rows that a symptom may be at this appliance; the name of a row is a symptom too."""
        known = self.symptoms.get(symptom)
        names = known.rows if known else (symptom,)
        return tuple(row for name in names for row in self.rows if row.symptom == name and row.holds(appliance))

    def seen_with(self, symptom: str, appliance: Appliance) -> dict[str, str]:
        """What a symptom shows by itself: what all of its rows have in common."""
        rows = [set(row.seen.items()) for row in self.rows_of(symptom, appliance)]
        return dict(sorted(set.intersection(*rows))) if rows else {}

    @cached_property
    def outcomes(self) -> Mapping[str, tuple[str, ...]]:
        """Every outcome that an observation can have, the usual one first."""
        found = {name: {observation.usual: None} for name, observation in self.observations.items()}
        for cause in self.causes.values():
            for name, shown in cause.shows.items():
                found[name] |= dict.fromkeys([shown] if isinstance(shown, str) else shown)
        for row in self.rows:
            for name, outcome in row.seen.items():
                found[name][outcome] = None
        return {name: tuple(outcomes) for name, outcomes in found.items()}

    def picked(self, evidence: Evidence, appliance: Appliance, symptom: str | None = None) -> tuple[Row, ...]:
        """The rows that fit: those of the symptom; else, and where it has none here, those of which all was seen."""
        told = self.rows_of(symptom, appliance) if symptom else ()
        return told or tuple(
            row
            for row in self.rows
            if row.holds(appliance) and row.seen and all(evidence.get(k) == v for k, v in row.seen.items())
        )

    def probable(self, evidence: Evidence, appliance: Appliance, symptom: str | None = None) -> list[Probable]:
        """The causes that are left, the most probable first; empty while no row fits."""
        weights: dict[str, list[tuple[Row, float]]] = {}
        for row in self.picked(evidence, appliance, symptom):
            here = [name for name in row.causes if self.causes[name].holds(appliance)]
            for rank, name in enumerate(here):
                shows = math.prod(self.likelihood(name, *seen, row) for seen in evidence.items())
                weights.setdefault(name, []).append((row, 0.5**rank * shows))
        sums = {name: sum(weight for _, weight in rows) for name, rows in weights.items()}
        total = sum(sums.values())
        return [
            Probable(name, sums[name] / total, tuple((row, weight / sums[name]) for row, weight in weights[name]))
            for name in sorted(sums, key=lambda name: -sums[name])
            if total and sums[name] / total >= EXCLUDED
        ]

    def likelihood(self, cause: str, observation: str, outcome: str, row: Row | None = None) -> float:
        """How often a cause shows an outcome of an observation, 0 to 1, in a row that holds it.

        cause: "" is one that shows nothing of its own.
        """
        usual = self.observations[observation].usual
        if outcome == UNUSUAL:
            return 1 - self.likelihood(cause, observation, usual, row)
        own = self.causes[cause].shows if cause else {}
        shown = own.get(observation, row.seen.get(observation) if row else None)
        likely = {usual: USUAL} if shown is None else {shown: SHOWN} if isinstance(shown, str) else shown
        if outcome in likely:
            return likely[outcome]
        rest = max(1 - sum(likely.values()), 0.02)
        others = max(len(self.outcomes[observation]), 2) - len(likely)
        if usual in likely:
            return rest / max(others, 1)
        return rest * (0.8 if outcome == usual else 0.2 / max(others - 1, 1))  # what is not shown is mostly as usual

    def likely(self, probable: Probable, observation: str, outcome: str) -> float:
        """How often a probable cause shows an outcome of an observation, 0 to 1, over the rows that hold it."""
        return sum(share * self.likelihood(probable.cause, observation, outcome, row) for row, share in probable.rows)

    def information(self, observation: str, causes: Iterable[Probable], told: tuple[str, ...] = ()) -> float:
        """What observing it is expected to tell about the causes, in bits. told: the outcomes told apart; () is all."""
        held = list(causes)
        bits = 0.0
        for outcome in told or self.outcomes[observation]:
            given = [p.probability * self.likely(p, observation, outcome) for p in held]
            total = sum(given)
            bits += sum(
                share * math.log2(share / total / p.probability) for share, p in zip(given, held, strict=True) if share
            )
        return max(bits, 0.0)

    def next_best(
        self,
        evidence: Evidence,
        appliance: Appliance,
        site: State,
        symptom: str | None = None,
    ) -> str | None:
        """The observation to make next: what tells most, in the order that is told at the top; None where nothing
        tells anything more."""
        causes = self.probable(evidence, appliance, symptom)
        told = {name: self.information(name, causes) for name in self.observations if name not in evidence}
        return max(
            (name for name, bits in told.items() if bits > UNTOLD),
            key=lambda name: (not self.observations[name].alters, self.observations[name].fits(site), told[name]),
            default=None,
        )

    def outcome_of(self, observation: str, value: Value, limit: Limit | None) -> str | None:
        """What a reading means for an observation; None where its limit is not known.

        value: in the limit's unit.
        """
        if isinstance(value, Overload):
            return "good" if limit is not None and limit.wants_open else value.value
        none_below = self.observations[observation].none_below
        if none_below is not None and abs(value) < none_below:
            return "none"
        if limit is None or not limit.is_known:
            return None
        if limit.wants_open:
            return "good" if limit.low is not None and value >= limit.low else "low"

        held = limit.held(value)
        if limit.is_beyond("low", held) or limit.is_beyond("caution_low", held):
            return "low"
        return "high" if limit.is_beyond("high", held) or limit.is_beyond("caution_high", held) else "good"


def _listed(says: str, names: Iterable[str], known: Container[str]) -> None:
    """Refuses the first name that is not known."""
    for name in names:
        if name not in known:
            raise ValueError(f"{says} {name!r}, which is not listed")


def because(faults: Faults, evidence: Evidence, causes: Sequence[Probable]) -> str | None:
    """The observation that speaks most for the first cause over the others; None where none does."""
    if not causes:
        return None

    def speaks(observation: str) -> float:
        def likely(cause: Probable) -> float:
            return max(faults.likely(cause, observation, evidence[observation]), 1e-6)

        against = causes[1:] or [Probable("", 1.0, causes[0].rows)]
        others = [(likely(other), other.probability) for other in against]
        mean = sum(like * share for like, share in others) / sum(share for _, share in others)
        return math.log(likely(causes[0]) / mean)

    best = max(evidence, key=speaks, default=None)
    return best if best is not None and speaks(best) > 0.1 else None
