"""Procedures: the ordered steps of a visit, as data, and the proof that their order is safe."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from assistant.trade.job import Fuel, Ignition, VisitKind
from assistant.trade.judging import Source

Power = Literal["unknown", "isolated", "dead", "live"]
Gas = Literal["unknown", "shut", "on"]
Level = Literal["notice", "caution", "danger"]
END = "end"  # targets of a step that are no steps
EMERGENCY = "emergency"


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Hazard(_Data):
    """A warning voiced before the hand goes in; "danger" waits for "understood"."""

    level: Level
    say: str
    source: Source


class State(_Data):
    """The state of power and gas at the appliance."""

    power: Power = "unknown"
    gas: Gas = "unknown"


class Step(_Data):
    """One step.

    say: the prompt. kind: "do" is answered by done, "check" by yes or no, "read" by a reading of `quantity`.
    power, gas: the states in which it may be worked; empty is any. sets: the states that hold once it is done.
    hazards: names, voiced in order before the prompt. skippable: a step that makes others safe is not.
    next: outcome -> step. Outcomes: done, yes, no, skip; of a reading its verdict, or that of a finding it
    completes where that is worse. "then" is every other outcome; without it, the following step.
    confirm: the good answer of a check is asked a second time, since a misheard one can hurt.
    bad: the answer of a check that is a finding, and its text. stage: as found, or as left.
    works_out: findings that this reading completes. needs: a part of the job without which it is left out.
    """

    id: str
    title: str
    say: str
    kind: Literal["do", "check", "read"]
    quantity: str | None = None
    power: tuple[Power, ...] = ()
    gas: tuple[Gas, ...] = ()
    sets: State | None = None
    hazards: tuple[str, ...] = ()
    skippable: bool = True
    next: dict[str, str] = Field(default_factory=dict)
    bad: dict[Literal["yes", "no"], str] = Field(default_factory=dict)
    works_out: tuple[str, ...] = ()
    needs: Literal["gas"] | None = None
    confirm: bool = False
    stage: Literal["found", "left"] = "found"

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        if (self.kind == "read") != (self.quantity is not None):
            raise ValueError(f"the step {self.id!r} reads a quantity exactly when its kind is read")
        if self.sets and self.skippable:
            raise ValueError(f"the step {self.id!r} changes power or gas, so it cannot be skippable")
        return self

    def outcomes(self) -> tuple[str, ...]:
        """Every outcome that can leave this step."""
        own = {"do": ("done",), "check": ("yes", "no"), "read": ("noted", *_VERDICTS)}[self.kind]
        return (*own, "skip") if self.skippable else own


_VERDICTS = ("pass", "caution", "conditional-pass", "conditional-fail", "fail", "cannot-judge")


class Procedure(_Data):
    """The steps for one ignition system, fuel and kind of visit, in order."""

    name: str
    title: str
    ignition: Ignition
    fuel: Fuel
    visit: VisitKind
    steps: tuple[Step, ...] = Field(min_length=1)

    def step(self, step_id: str) -> Step:
        """The step of that id; KeyError when there is none."""
        return self.steps[self.number(step_id) - 1]

    def has(self, step_id: str) -> bool:
        """Whether a step has that id."""
        return any(s.id == step_id for s in self.steps)

    def number(self, step_id: str) -> int:
        """The place of a step, from 1; KeyError when there is none."""
        for number, step in enumerate(self.steps, 1):
            if step.id == step_id:
                return number
        raise KeyError(step_id)

    def after(self, step: Step, outcome: str) -> str:
        """The id of the step to go to, or END."""
        target = step.next.get(outcome) or step.next.get("then")
        if target:
            return target
        at = self.number(step.id)
        return self.steps[at].id if at < len(self.steps) else END


def check(
    procedure: Procedure,
    quantities: Mapping[str, object],
    hazards: Mapping[str, Hazard],
    findings: Mapping[str, object],
) -> list[str]:
    """What is wrong with a procedure, a sentence each; empty when it is sound.

    Every name must exist, every step be reachable and lead to the end, and no path may reach a step in a state
    of power or gas that the step does not allow (decision 5). All paths are walked, with every outcome.
    """
    return [
        *_unknown_names(procedure, quantities, hazards, findings),
        *(_unsafe_paths(procedure) if not _dangling(procedure) else []),
    ]


def _dangling(procedure: Procedure) -> list[str]:
    return [
        f"the step {step.id!r} goes to {target!r} on {outcome!r}, and no step has that id."
        for step in procedure.steps
        for outcome, target in step.next.items()
        if target not in (END, EMERGENCY) and not procedure.has(target)
    ]


def _unknown_names(
    procedure: Procedure,
    quantities: Mapping[str, object],
    hazards: Mapping[str, Hazard],
    findings: Mapping[str, object],
) -> Iterator[str]:
    ids = [step.id for step in procedure.steps]
    for step_id in sorted({i for i in ids if ids.count(i) > 1}):
        yield f"the step {step_id!r} is written twice."
    yield from _dangling(procedure)
    for step in procedure.steps:
        if step.quantity and step.quantity not in quantities:
            yield f"the step {step.id!r} asks for {step.quantity!r}, which is not a known quantity."
        for name in step.hazards:
            if name not in hazards:
                yield f"the step {step.id!r} names the hazard {name!r}, which is not in the hazards file."
        for name in step.works_out:
            if name not in findings:
                yield f"the step {step.id!r} works out {name!r}, which is not a known finding."
        for outcome in step.next:
            if outcome not in (*step.outcomes(), "then"):
                yield f"the step {step.id!r} can never end in {outcome!r}."


def _unsafe_paths(procedure: Procedure) -> Iterator[str]:
    waiting = [(procedure.steps[0].id, State())]
    seen: set[tuple[str, State]] = set()
    said: set[str] = set()
    reached_end = False
    while waiting:
        step_id, state = waiting.pop()
        if step_id in (END, EMERGENCY):
            reached_end = reached_end or step_id == END
            continue
        if (step_id, state) in seen:
            continue
        seen.add((step_id, state))
        step = procedure.step(step_id)
        for what, allowed, actual in (("power", step.power, state.power), ("gas", step.gas, state.gas)):
            if allowed and actual not in allowed:
                problem = (
                    f"the step {step.id!r} can be reached with the {what} {actual}; it needs {' or '.join(allowed)}."
                )
                if problem not in said:
                    said.add(problem)
                    yield problem
        for outcome in step.outcomes():
            waiting.append((procedure.after(step, outcome), after_step(state, step, outcome)))
        if step.needs:
            waiting.append((procedure.after(step, "skip"), state))
    if not reached_end:
        yield "no path leads to the end."
    for step in procedure.steps:
        if step.id not in {step_id for step_id, _ in seen}:
            yield f"no path leads to the step {step.id!r}."


def after_step(state: State, step: Step, outcome: str) -> State:
    """The state of power and gas after a step: a step that sets one does so only when it was done."""
    if step.sets is None or outcome in ("no", "skip"):
        return state
    return State(
        power=state.power if step.sets.power == "unknown" else step.sets.power,
        gas=state.gas if step.sets.gas == "unknown" else step.sets.gas,
    )
