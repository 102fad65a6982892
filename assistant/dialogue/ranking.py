"""The ranking of faults in a visit: what was seen so far, the probable causes, and which step tells most. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from assistant.dialogue.context import Context
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.figures import findings
from assistant.dialogue.state import Answer, Found, Rules, State, Taken
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
    faults, known = rules.faults, _known(rules, state)
    told = faults.seen_with(state.symptom, rules.job.appliance)
    is_mended = _mended(state)
    seen = dict(told)
    for name, observation in faults.observations.items():
        found, now = _outcomes(rules, known, name)
        found = [*([told[name]] if name in told and is_mended else []), *found]
        wrong = [outcome for outcome in found if outcome != observation.usual]
        if wrong and now in (None, observation.usual):
            seen[name] = wrong[-1]
        elif now:
            seen[name] = now
    made = {repair.name for repair in state.repairs}
    for name, observation in faults.observations.items():
        if observation.repair in made:
            again = next(n for n, of in faults.observations.items() if of.quantity == observation.rereads)
            if outcome := _outcomes(rules, known, again)[1]:
                seen[name] = "better" if outcome == faults.observations[again].usual else "same"
    return seen


@dataclass(frozen=True)
class _Known:
    """What of a state every observation looks at, looked up once for all of them."""

    taken: Mapping[str, Sequence[Taken]]  # quantity -> its readings that were not taken back
    worked: Mapping[str, Sequence[Found]]  # finding -> it as it stands, and as it was before
    mended: Sequence[Answer]  # what checks found and a repair came after
    outcomes: Mapping[str, str]  # step -> how it was left, the last time


def _known(rules: Rules, state: State) -> _Known:
    taken: dict[str, list[Taken]] = {}
    worked: dict[str, list[Found]] = {}
    for each in state.readings:
        if not each.withdrawn:
            taken.setdefault(each.quantity, []).append(each)
    for found in findings(rules, state):
        worked.setdefault(found.name, []).append(found)
    return _Known(taken, worked, [remark for remark in state.remarks if remark.voided], dict(state.outcomes))


def _mended(state: State) -> bool:
    """Whether anything was repaired or replaced, so that what is seen now may differ from what was found."""
    return (
        bool(state.repairs)
        or any((taken.voided or taken.stage == "left") and not taken.withdrawn for taken in state.readings)
        or any(remark.voided for remark in state.remarks)
    )


def _outcomes(rules: Rules, known: _Known, observation: str) -> tuple[list[str], str | None]:
    """The outcomes that no longer stand, the last one last: a repair voided them, or a new part was read after; and
    the one that stands, of a reading, a finding or a check: None where nothing does."""
    of, procedure = rules.faults.observations[observation], rules.procedure
    found: list[str | None] = [
        outcome
        for remark in known.mended
        for answer, outcome in of.steps.get(remark.step, {}).items()
        if procedure.step(remark.step).bad.get(answer) == remark.text
    ]
    now: str | None = None
    if of.quantity:
        taken, worked = known.taken.get(of.quantity, ()), known.worked.get(of.quantity, ())
        last_left = max((at for at, each in enumerate(taken) if each.stage == "left"), default=0)
        gone = [each.judged for at, each in enumerate(taken) if each.voided or at < last_left]
        found += [_outcome(rules, observation, value) for value in (*gone, *(w.value for w in worked if w.voided))]
        standing: list[Value | None] = [t.judged for t in reversed(taken) if t.stands]
        standing += [w.value for w in worked if w.stands]
        now = _outcome(rules, observation, standing[0]) if standing else None
    checked = [
        of.steps[step][answer] for step in of.steps if (answer := known.outcomes.get(step, "")) in of.steps[step]
    ]
    now = now or next((each for each in checked if each != of.usual), checked[0] if checked else None)
    return [outcome for outcome in found if outcome], now


def _outcome(rules: Rules, observation: str, value: Value | None) -> str | None:
    """What a value means for an observation; None where there is none, or nothing to judge it by."""
    if value is None:
        return None
    limit = limit_for(rules.faults.observations[observation].quantity or "", rules.limits, rules.job)
    return rules.faults.outcome_of(observation, value, limit)


def probable(rules: Rules, state: State, seen: Mapping[str, str]) -> list[Probable]:
    """The causes that are left by what was seen (`evidence`), the most probable first; empty while nothing fits a row
    of the table."""
    return rules.faults.probable(seen, rules.job.appliance, state.symptom or None)


def found_cause(rules: Rules, state: State) -> str:
    """The cause that the visit came to: the most probable one, where something that is not as usual speaks for it and
    it is likelier than all others together; else empty."""
    seen = evidence(rules, state)
    causes = probable(rules, state, seen)
    why = because(rules.faults, seen, causes)
    return causes[0].cause if why and causes[0].probability > MORE_THAN_ALL_OTHERS else ""


def next_of(dialogue: Context, state: State, steps: Sequence[Step]) -> tuple[Step | None, list[Effect]]:
    """Of steps that may be worked now in any order, the one that tells most of the fault, and why, for the record.

    Those that tell nothing come in the order in which they are written. What is only there to find a fault is then
    passed over, but not where the symptom says what it would find, which is checked, nor where a repair touched it:
    it is checked as left. What alters the appliance comes after all else that tells.
    """
    seen = evidence(dialogue.rules, state)
    causes = probable(dialogue.rules, state, seen)
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
