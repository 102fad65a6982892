"""The ranking of faults in a visit: what was seen so far, the probable causes, and which step tells most. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from assistant.dialogue.context import Context
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.figures import findings
from assistant.dialogue.state import Found, Rules, State
from assistant.language.meaning import Value
from assistant.trade.faults import UNTOLD, Probable, because
from assistant.trade.limits import limit_for
from assistant.trade.procedures import Step

TOLD = 3  # causes that the record keeps beside a choice
MORE_THAN_ALL_OTHERS = 0.5


def evidence(rules: Rules, state: State) -> dict[str, str]:
    """What was observed so far, by the table of faults: by the symptom, the readings, the findings and the checks.

    What was wrong before it was mended still counts where nothing is wrong there now: it was the cause, and what is
    read as left only says that it was mended.
    """
    faults, worked = rules.faults, findings(rules, state)
    told = faults.seen_with(state.symptom, rules.job.appliance)
    seen = dict(told)
    for name, observation in faults.observations.items():
        found = [*([told[name]] if name in told and _mended(state) else []), *_as_found(rules, state, name, worked)]
        wrong = [outcome for outcome in found if outcome != observation.usual]
        now = _now(rules, state, name, worked)
        if wrong and now in (None, observation.usual):
            seen[name] = wrong[-1]
        elif now:
            seen[name] = now
    for name, observation in faults.observations.items():
        if any(made.name == observation.repair for made in state.repairs):
            again = next(n for n, of in faults.observations.items() if of.quantity == observation.rereads)
            if outcome := _now(rules, state, again, worked):
                seen[name] = "better" if outcome == faults.observations[again].usual else "same"
    return seen


def _mended(state: State) -> bool:
    """Whether anything was repaired or replaced, so that what is seen now may differ from what was found."""
    return (
        bool(state.repairs)
        or any((taken.voided or taken.stage == "left") and not taken.withdrawn for taken in state.readings)
        or any(remark.voided for remark in state.remarks)
    )


def _now(rules: Rules, state: State, observation: str, worked: Sequence[Found]) -> str | None:
    """The outcome that stands, of a reading, a finding or a check; None where nothing does."""
    of = rules.faults.observations[observation]
    if of.quantity:
        taken = state.latest(of.quantity)
        found = next((f for f in worked if f.name == of.quantity and not f.voided), None)
        value = taken.judged if taken else found.value if found else None
        if outcome := _outcome(rules, observation, value):
            return outcome
    outcomes = [
        outcome
        for step, answers in of.steps.items()
        for answer, outcome in answers.items()
        if state.outcome(step) == answer
    ]
    return next((each for each in outcomes if each != of.usual), outcomes[0] if outcomes else None)


def _as_found(rules: Rules, state: State, observation: str, worked: Sequence[Found]) -> list[str]:
    """The outcomes that no longer stand, the last one last: a repair voided them, or a new part was read after."""
    of, procedure = rules.faults.observations[observation], rules.procedure
    outcomes: list[str | None] = [
        outcome
        for remark in state.remarks
        if remark.voided and remark.step in of.steps
        for answer, outcome in of.steps[remark.step].items()
        if procedure.step(remark.step).bad.get(answer) == remark.text
    ]
    if of.quantity:
        taken = [each for each in state.readings if each.quantity == of.quantity and not each.withdrawn]
        last_left = max((at for at, each in enumerate(taken) if each.stage == "left"), default=0)
        outcomes += [
            _outcome(rules, observation, each.judged) for at, each in enumerate(taken) if each.voided or at < last_left
        ]
        outcomes += [
            _outcome(rules, observation, each.value) for each in worked if each.name == of.quantity and each.voided
        ]
    return [outcome for outcome in outcomes if outcome]


def _outcome(rules: Rules, observation: str, value: Value | None) -> str | None:
    """What a value means for an observation; None where there is none, or nothing to judge it by."""
    limit = limit_for(rules.faults.observations[observation].quantity or "", rules.limits, rules.job)
    return None if value is None else rules.faults.outcome_of(observation, value, limit)


def probable(rules: Rules, state: State) -> list[Probable]:
    """The causes that are left, the most probable first; empty while nothing fits a row of the table."""
    return rules.faults.probable(evidence(rules, state), rules.job.appliance, state.symptom or None)


def found_cause(rules: Rules, state: State) -> str:
    """The cause that the visit came to: the most probable one, where something that is not as usual speaks for it and
    it is likelier than all others together; else empty."""
    causes, seen = probable(rules, state), evidence(rules, state)
    why = because(rules.faults, seen, causes)
    return causes[0].cause if why and causes[0].probability > MORE_THAN_ALL_OTHERS else ""


def next_of(dialogue: Context, state: State, steps: Sequence[Step]) -> tuple[Step | None, list[Effect]]:
    """Of steps that may be worked now in any order, the one that tells most of the fault, and why, for the record.

    Those that tell nothing come in the order in which they are written. What is only there to find a fault is then
    passed over, but not where the symptom says what it would find, which is checked, nor where a repair touched it:
    it is checked as left. What alters the appliance comes after all else that tells.
    """
    causes, seen = probable(dialogue.rules, state), evidence(dialogue.rules, state)
    tells = {step.id: _tells(dialogue, step, causes, seen) for step in steps}
    best = max(steps, key=lambda step: tells[step.id][1:], default=None)
    if best is None or tells[best.id][2] <= UNTOLD:
        told = dialogue.rules.faults.seen_with(state.symptom, dialogue.rules.job.appliance)
        return next((step for step in steps if _must(dialogue, state, step, told)), None), []
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


def _must(dialogue: Context, state: State, step: Step, told: Iterable[str]) -> bool:
    """Whether a step is asked though it tells nothing of the fault. told: the observations that the symptom tells."""
    of = dialogue.rules.faults.observations
    return not step.if_it_tells or step.id in state.as_left or any(of[name].at(step) is not None for name in told)
