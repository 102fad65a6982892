"""The ranking of faults in a visit: what was seen so far, the probable causes, and which step tells most. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from assistant.dialogue.context import Context
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.figures import findings
from assistant.dialogue.state import State
from assistant.trade.faults import UNTOLD, Probable
from assistant.trade.limits import limit_for
from assistant.trade.procedures import Step

TOLD = 3  # causes that the record keeps beside a choice


def evidence(dialogue: Context, state: State) -> dict[str, str]:
    """What was observed so far, by the table of faults: by the symptom, the readings, the findings and the checks."""
    faults = dialogue.rules.faults
    seen = faults.seen_with(state.symptom)
    for name, observation in faults.observations.items():
        for step, answers in observation.steps.items():
            for answer, outcome in answers.items():
                if state.outcome(step) == answer:
                    seen[name] = outcome
        if observation.quantity and (told := _outcome(dialogue, state, name)):
            seen[name] = told
    for name, observation in faults.observations.items():
        if any(made.name == observation.repair for made in state.repairs):
            again = next(n for n, of in faults.observations.items() if of.quantity == observation.rereads)
            if told := _outcome(dialogue, state, again):
                seen[name] = "better" if told == faults.observations[again].usual else "same"
    return seen


def _outcome(dialogue: Context, state: State, observation: str) -> str | None:
    """What the reading or finding that stands means for an observation; None where there is none to judge."""
    rules = dialogue.rules
    quantity = rules.faults.observations[observation].quantity or ""
    taken = state.latest(quantity)
    found = next((f for f in findings(rules, state) if f.name == quantity and not f.voided), None)
    value = taken.judged if taken else found.value if found else None
    limit = limit_for(quantity, rules.limits, rules.job)
    return None if value is None else rules.faults.outcome_of(observation, value, limit)


def probable(dialogue: Context, state: State) -> list[Probable]:
    """The causes that are left, the most probable first; empty while nothing fits a row of the table."""
    rules = dialogue.rules
    return rules.faults.probable(evidence(dialogue, state), rules.job.appliance.fuel, state.symptom or None)


def next_of(dialogue: Context, state: State, steps: Sequence[Step]) -> tuple[Step | None, list[Effect]]:
    """Of steps that may be worked now in any order, the one that tells most of the fault, and why, for the record.

    Those that tell nothing come in the order in which they are written; what is only there to find a fault is then
    passed over. What alters the appliance comes after all else that tells.
    """
    causes, seen = probable(dialogue, state), evidence(dialogue, state)
    tells = {step.id: _tells(dialogue, step, causes, seen) for step in steps}
    best = max(steps, key=lambda step: tells[step.id][1:], default=None)
    if best is None or tells[best.id][2] <= UNTOLD:
        return next((step for step in steps if not step.if_it_tells), None), []
    name, _, bits = tells[best.id]
    body = {
        "step": best.id,
        "observation": name,
        "bits": round(bits, 2),
        "causes": [[each.cause, round(each.probability, 2)] for each in causes[:TOLD]],
    }
    return best, [Note("next-best", body)]


def _tells(dialogue: Context, step: Step, causes: Sequence[Probable], seen: dict[str, str]) -> tuple[str, bool, float]:
    """What a step tells most about, whether that leaves the appliance as it is, and how much, in bits."""
    faults = dialogue.rules.faults
    told = [
        (name, not observation.alters, faults.information(name, causes, outcomes))
        for name, observation in faults.observations.items()
        if name not in seen and (outcomes := observation.at(step)) is not None
    ]
    some = [each for each in told if each[2] > UNTOLD]
    return max(some, key=lambda each: each[1:], default=("", False, 0.0))
