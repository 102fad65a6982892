"""Faults: from what was observed to the probable causes, and to the measurement that tells the most.

One fault is assumed at a time. What was seen picks rows of the table; a row's order is the prior of its causes,
each half as likely as the one before it (common practice: the order; the halving is a convention of this file).
Every further observation multiplies by how often the cause shows that outcome (naive Bayes). A cause that falls
below `EXCLUDED` has dropped out. The next measurement is the one with the highest expected information (the
mutual information of cause and outcome, in bits). Those that the present state of power and gas allows come
before any that needs a change of either, and what alters the appliance comes last.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from assistant.trade.job import Fuel
from assistant.trade.judging import Limit, Value
from assistant.trade.procedures import State, Step
from assistant.trade.quantities import Overload

SHOWN = 0.9  # how often a cause shows the outcome that is its mark (convention of the data file)
USUAL = 0.95  # how often an observation that the cause does not touch is as usual
EXCLUDED = 0.01  # posterior below which a cause has dropped out
UNTOLD = 0.05  # bits below which a measurement tells nothing
UNUSUAL = "unusual"  # an outcome: any but the usual one, as the "no" of a check

Evidence = Mapping[str, str]  # observation -> outcome


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Observation(_Data):
    """Something to look at or to measure.

    say: how it is spoken. usual: its outcome where the fault does not touch it. quantity: the reading that decides
    it. none_below: the value, in the unit of its limit, below which a reading means that there is none (common
    practice). steps: the checks of procedures that decide it, step -> answer -> outcome, `UNUSUAL` where it may be
    several. repair, rereads: what repair it is, and the quantity that is read again after it: "better" where it then
    passes, else "same". power, gas: the state that it needs; None is any. alters: it changes what was found, so
    everything else is observed before it.
    """

    say: str
    usual: str
    quantity: str | None = None
    none_below: Decimal | None = None
    steps: dict[str, dict[Literal["yes", "no"], str]] = Field(default_factory=dict)
    repair: str | None = None
    rereads: str | None = None
    power: Literal["dead", "live"] | None = None
    gas: Literal["shut", "on"] | None = None
    alters: bool = False

    def at(self, step: Step) -> tuple[str, ...] | None:
        """The outcomes that a step tells apart, () for all that there are; None where it does not observe this."""
        if step.id in self.steps:
            return tuple(self.steps[step.id].values())
        return () if self.quantity and self.quantity in (*step.quantities, *step.works_out) else None

    def fits(self, site: State) -> bool:
        """Whether it can be observed in this state of power and gas."""
        return (self.power in (None, site.power)) and (self.gas in (None, site.gas))


class Cause(_Data):
    """shows: observation -> the outcome that marks it, or outcome -> how often it is seen, 0 to 1."""

    shows: dict[str, str | dict[str, float]] = Field(default_factory=dict)

    def likelihood(self, observation: str, outcome: str, usual: str, outcomes: int) -> float:
        """How often this cause shows that outcome, of `outcomes` possible ones."""
        shown = self.shows.get(observation)
        likely = {usual: USUAL} if shown is None else {shown: SHOWN} if isinstance(shown, str) else shown
        if outcome in likely:
            return likely[outcome]
        rest = max(1 - sum(likely.values()), 0.02)
        if usual not in likely:  # what is not shown is mostly as usual
            return rest * (0.8 if outcome == usual else 0.2 / max(outcomes - 1 - len(likely), 1))
        return rest / max(outcomes - len(likely), 1)


class Row(_Data):
    """One row of the table. seen: what picks it, all of it; with none it is picked by its name only."""

    symptom: str
    seen: dict[str, str] = Field(default_factory=dict)
    fuel: Fuel | None = None
    causes: tuple[str, ...] = Field(min_length=1)
    next: tuple[str, ...]


@dataclass(frozen=True)
class Probable:
    """A cause and its probability, 0 to 1, among the causes of the table."""

    cause: str
    probability: float


class Faults(_Data):
    """The table of faults, whole. symptoms: what people say of it -> the rows that it may be."""

    observations: dict[str, Observation] = Field(default_factory=dict)
    causes: dict[str, Cause] = Field(default_factory=dict)
    rows: tuple[Row, ...] = ()
    symptoms: dict[str, tuple[str, ...]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _names_exist(self) -> Self:
        for row in self.rows:
            for name in row.causes:
                if name not in self.causes:
                    raise ValueError(f"the row {row.symptom!r} names the cause {name!r}, which is not listed")
            for name in (*row.seen, *row.next):
                if name not in self.observations:
                    raise ValueError(f"the row {row.symptom!r} names the observation {name!r}, which is not listed")
        for name, cause in self.causes.items():
            for observation in cause.shows:
                if observation not in self.observations:
                    raise ValueError(f"the cause {name!r} shows {observation!r}, which is not an observation")
            if not any(name in row.causes for row in self.rows):
                raise ValueError(f"the cause {name!r} is in no row")
        for name, rows in self.symptoms.items():
            for row_name in rows:
                if all(row.symptom != row_name for row in self.rows):
                    raise ValueError(f"the symptom {name!r} names the row {row_name!r}, which is not listed")
        return self

    def seen_with(self, symptom: str) -> dict[str, str]:
        """What a symptom shows by itself: what all of its rows have in common."""
        rows = [set(row.seen.items()) for row in self.rows if row.symptom in self.symptoms.get(symptom, ())]
        return dict(sorted(set.intersection(*rows))) if rows else {}

    def outcomes(self, observation: str) -> tuple[str, ...]:
        """Every outcome that an observation can have, the usual one first."""
        return self._outcomes[observation]

    @cached_property
    def _outcomes(self) -> dict[str, tuple[str, ...]]:
        found = {name: {observation.usual: None} for name, observation in self.observations.items()}
        for cause in self.causes.values():
            for name, shown in cause.shows.items():
                found[name] |= dict.fromkeys([shown] if isinstance(shown, str) else shown)
        for row in self.rows:
            for name, seen in row.seen.items():
                found[name][seen] = None
        return {name: tuple(outcomes) for name, outcomes in found.items()}

    def picked(self, evidence: Evidence, fuel: Fuel, symptom: str | None = None) -> tuple[Row, ...]:
        """The rows that fit: those of the symptom, or the one of that name; else those of which all was seen."""
        rows = [row for row in self.rows if row.fuel in (None, fuel)]
        if symptom is not None:
            return tuple(row for row in rows if row.symptom in self.symptoms.get(symptom, (symptom,)))
        return tuple(row for row in rows if row.seen and all(evidence.get(k) == v for k, v in row.seen.items()))

    def probable(self, evidence: Evidence, fuel: Fuel, symptom: str | None = None) -> list[Probable]:
        """The causes that are left, the most probable first; empty while no row fits."""
        prior: dict[str, float] = {}
        for row in self.picked(evidence, fuel, symptom):
            for rank, name in enumerate(row.causes):
                prior[name] = prior.get(name, 0.0) + 0.5**rank
        weights = {
            name: weight * math.prod(self.likelihood(name, *seen) for seen in evidence.items())
            for name, weight in prior.items()
        }
        total = sum(weights.values())
        ranked = sorted(weights, key=lambda name: -weights[name])
        return [Probable(n, weights[n] / total) for n in ranked if total and weights[n] / total >= EXCLUDED]

    def likelihood(self, cause: str, observation: str, outcome: str) -> float:
        """How often a cause shows an outcome of an observation, 0 to 1."""
        outcomes = self.outcomes(observation)
        usual = self.observations[observation].usual
        if outcome == UNUSUAL:
            return 1 - self.likelihood(cause, observation, usual)
        return self.causes[cause].likelihood(observation, outcome, usual, max(len(outcomes), 2))

    def information(self, observation: str, causes: Iterable[Probable], told: tuple[str, ...] = ()) -> float:
        """What observing it is expected to tell about the causes, in bits. told: the outcomes told apart; () is all."""
        held = list(causes)
        bits = 0.0
        for outcome in told or self.outcomes(observation):
            given = [p.probability * self.likelihood(p.cause, observation, outcome) for p in held]
            total = sum(given)
            bits += sum(
                share * math.log2(share / total / p.probability) for share, p in zip(given, held, strict=True) if share
            )
        return max(bits, 0.0)

    def next_best(
        self,
        evidence: Evidence,
        fuel: Fuel,
        site: State,
        symptom: str | None = None,
        known: Iterable[str] | None = None,
    ) -> str | None:
        """The observation to make next: what tells most; in which order is told at the top.

        known: the observations that can be made here; None: all. None is returned when nothing tells anything more.
        """
        causes = self.probable(evidence, fuel, symptom)
        allowed = self.observations if known is None else set(known)
        told = {
            name: self.information(name, causes)
            for name in self.observations
            if name in allowed and name not in evidence
        }
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
        if (limit.low is not None and value < limit.low) or (
            limit.caution_low is not None and value < limit.caution_low
        ):
            return "low"
        too_high = limit.high is not None and value > limit.high
        watch = limit.caution_high is not None and value > limit.caution_high
        return "high" if too_high or watch else "good"


def because(faults: Faults, evidence: Evidence, causes: Sequence[Probable]) -> str | None:
    """The observation that speaks most for the first cause over the others; None where none does."""
    if not causes:
        return None

    def speaks(observation: str) -> float:
        def likely(cause: str) -> float:
            return max(faults.likelihood(cause, observation, evidence[observation]), 1e-6)

        others = [(likely(other.cause), other.probability) for other in causes[1:]] or [(0.5, 1.0)]
        mean = sum(like * share for like, share in others) / sum(share for _, share in others)
        return math.log(likely(causes[0].cause) / mean)

    best = max(evidence, key=speaks, default=None)
    return best if best is not None and speaks(best) > 0.1 else None
