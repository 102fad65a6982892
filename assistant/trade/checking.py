"""The proof that the order of a procedure is safe."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from assistant.trade.procedures import EMERGENCY, END, Hazard, Keys, Procedure, State, after_step


@dataclass(frozen=True)
class Wrong:
    """What is wrong with a procedure: one sentence, and where, as keys: ("steps", 3, "quantity")."""

    says: str
    at: Keys = ()


def check(
    procedure: Procedure,
    quantities: Mapping[str, object],
    hazards: Mapping[str, Hazard],
    findings: Mapping[str, object],
) -> list[Wrong]:
    """All that is wrong with a procedure; empty when it is sound.

    Every name must exist, every step be reachable and lead to the end, and no path may reach a step in a state
    of power or gas that the step does not allow (decision 5). All paths are walked, with every outcome.
    """
    dangling = list(_dangling(procedure))
    return [
        *_unknown_names(procedure, quantities, hazards, findings),
        *dangling,
        *([] if dangling else _unsafe_paths(procedure)),
    ]


def _dangling(procedure: Procedure) -> Iterator[Wrong]:
    for at, step in enumerate(procedure.steps):
        for outcome, target in step.next.items():
            if target not in (END, EMERGENCY) and not procedure.has(target):
                says = f"the step {step.id!r} goes to {target!r} on {outcome!r}, and no step has that id."
                yield Wrong(says, ("steps", at, "next", outcome))
    for name, repair in procedure.repairs.items():
        if not procedure.has(repair.restart):
            says = f"the repair {name!r} goes to {repair.restart!r}, and no step has that id."
            yield Wrong(says, ("repairs", name, "restart"))


def _unknown_names(
    procedure: Procedure,
    quantities: Mapping[str, object],
    hazards: Mapping[str, Hazard],
    findings: Mapping[str, object],
) -> Iterator[Wrong]:
    ids = [step.id for step in procedure.steps]
    for at, step in enumerate(procedure.steps):
        keys: Keys = ("steps", at)
        if step.id in ids[:at]:
            yield Wrong(f"the step {step.id!r} is written twice.", (*keys, "id"))
        for quantity in step.quantities:
            if quantity not in quantities:
                place = ("quantity",) if step.quantity else ("times", quantity)
                yield Wrong(
                    f"the step {step.id!r} asks for {quantity!r}, which is not a known quantity.", (*keys, *place)
                )
        for number, name in enumerate(step.hazards):
            if name not in hazards:
                says = f"the step {step.id!r} names the hazard {name!r}, which is not in the hazards file."
                yield Wrong(says, (*keys, "hazards", number))
        for number, name in enumerate(step.works_out):
            if name not in findings:
                says = f"the step {step.id!r} works out {name!r}, which is not a known finding."
                yield Wrong(says, (*keys, "works_out", number))
        for outcome in step.next:
            if outcome not in (*step.outcomes(), "then"):
                yield Wrong(f"the step {step.id!r} can never end in {outcome!r}.", (*keys, "next", outcome))
    for name, repair in procedure.repairs.items():
        for number, voided in enumerate(repair.voids):
            if voided not in quantities and not procedure.has(voided):
                says = f"the repair {name!r} voids {voided!r}, which is no known quantity and no step."
                yield Wrong(says, ("repairs", name, "voids", number))


def _unsafe_paths(procedure: Procedure) -> Iterator[Wrong]:
    waiting = [(procedure.steps[0].id, State())]
    seen: set[tuple[str, State]] = set()
    said: set[Wrong] = set()
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
                needs = f"it needs {' or '.join(allowed)}"
                wrong = Wrong(
                    f"the step {step.id!r} can be reached with the {what} {actual}; {needs}.",
                    ("steps", procedure.number(step_id) - 1, what),
                )
                if wrong not in said:
                    said.add(wrong)
                    yield wrong
        for outcome in step.outcomes():
            waiting.append((procedure.after(step, outcome), after_step(state, step, outcome)))
        if step.needs:
            waiting.append((procedure.after(step, "skip"), state))
    if not reached_end:
        yield Wrong("no path leads to the end.", ("steps",))
    for at, step in enumerate(procedure.steps):
        if step.id not in {step_id for step_id, _ in seen}:
            yield Wrong(f"no path leads to the step {step.id!r}.", ("steps", at))
