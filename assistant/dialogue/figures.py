"""What is worked out of what was heard: a reading as it is judged, and findings. Pure, and changes no state."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from assistant.dialogue import wording
from assistant.dialogue.context import Context
from assistant.dialogue.events import Said
from assistant.dialogue.state import Candidate, Found, State, Taken
from assistant.language.meaning import Reading, Value
from assistant.language.spoken import spoken_value
from assistant.trade import units
from assistant.trade.findings import FINDINGS
from assistant.trade.judging import judge
from assistant.trade.limits import limit_for
from assistant.trade.quantities import Overload

# A reading this many times the last visit's, or this part of it, is asked (common practice).
FAR = Decimal(3)

# From best to worst, to choose where a step leads when a reading completes findings.
RANK = ("noted", "pass", "caution", "cannot-judge", "conditional-pass", "conditional-fail", "fail")


def judge_reading(dialogue: Context, state: State, candidate: Candidate) -> Taken:
    """The reading as it would be taken: lead resistance off, converted, judged with the meter's accuracy."""
    step = dialogue.rules.procedure.step(state.correcting.step if state.correcting else state.step)
    name = dialogue.asked_quantity(state)
    assert candidate.value is not None
    quantity = dialogue.rules.quantities[name]
    meter = dialogue.rules.job.meter_for(name)
    if candidate.upper is not None:
        # Of a reading that was not steady the end nearer failure counts.
        ends = [
            judge_reading(dialogue, state, replace(candidate, value=v, upper=None))
            for v in (candidate.value, candidate.upper)
        ]
        worse = max(ends, key=lambda end: RANK.index(end.verdict.outcome))
        return replace(worse, value=candidate.value, upper=candidate.upper)
    value: Value = candidate.value
    uncertainty: Decimal | None = None
    if isinstance(value, Decimal):
        said = value
        value = units.convert(said, candidate.unit, quantity.unit)
        if meter and meter.lead_zero and units.same_dimension(quantity.unit, "ohm"):
            value -= units.convert(meter.lead_zero, "ohm", quantity.unit)
        accuracy = meter.accuracy if meter else None
        if accuracy and units.same_dimension(accuracy.unit, candidate.unit):
            spread = accuracy.expanded_uncertainty(abs(units.convert(said, candidate.unit, accuracy.unit)))
            uncertainty = units.convert(spread, _difference(accuracy.unit), _difference(quantity.unit))
    limit = limit_for(name, dialogue.rules.limits, dialogue.rules.job)
    return Taken(
        step=step.id,
        quantity=name,
        value=candidate.value,
        unit=candidate.unit,
        judged=value,
        verdict=judge(value, limit, uncertainty),
        words=candidate.words,
        speaker=state.speaker,
        stage=step.stage,
        approximate=candidate.approximate,
        audio=candidate.audio,
    )


def work_out(dialogue: Context, state: State, name: str, step: str) -> Found:
    """A finding from the readings that stand; with a problem where one is missing."""
    finding = FINDINGS[name]
    inputs: dict[str, Decimal] = {}
    for quantity in finding.inputs:
        taken = state.latest(quantity)
        if taken is None or not isinstance(taken.judged, Decimal):
            missing = dialogue.rules.quantities[quantity].spoken
            return Found(name, step, None, finding.unit, None, f"There is no figure for {missing}.")
        inputs[quantity] = taken.judged
    try:
        value = finding.work_out(inputs, dialogue.rules.job)
    except ValueError as wrong:
        return Found(name, step, None, finding.unit, None, str(wrong))
    return Found(
        name,
        step,
        value,
        finding.unit,
        judge(value, limit_for(name, dialogue.rules.limits, dialogue.rules.job), None),
    )


def far_from_last_visit(dialogue: Context, state: State, meaning: Reading) -> bool:
    """Whether a reading is over three times the last visit's, or under a third (common practice)."""
    taken = judge_reading(dialogue, state, Candidate("", meaning.value, meaning.unit))
    before = dialogue.rules.job.previous.get(taken.quantity)
    if not before or not isinstance(taken.judged, Decimal):
        return False
    ratio = taken.judged / before
    return ratio > FAR or ratio < 1 / FAR


def read_back(dialogue: Context, state: State, candidate: Candidate) -> str:
    """What was heard; a value in another unit than asked also in that one."""
    said = wording.read_back(candidate)
    if isinstance(candidate.value, Decimal):
        asked = dialogue.rules.quantities[dialogue.asked_quantity(state)].unit
        if candidate.unit != asked:
            converted = units.round_significant(units.convert(candidate.value, candidate.unit, asked), 3)
            said += f", that is {spoken_value(converted, asked)}"
    return said


def calls_for_leaving(dialogue: Context, taken: Taken) -> bool:
    """Whether a reading is one at which everybody leaves."""
    rule = dialogue.rules.limits.get(taken.quantity)
    if rule is None or rule.emergency_from is None:
        return False
    return taken.judged is Overload.OVER_RANGE or (
        isinstance(taken.judged, Decimal) and taken.judged >= rule.emergency_from
    )


def _difference(unit: str) -> str:
    """The unit of a spread of values in `unit`: of temperatures it is a difference."""
    return f"delta_{unit}" if unit in ("degF", "degC") else unit


def heard(event: Said, reading: Reading) -> Candidate:
    """What was heard, not yet taken."""
    return Candidate(
        words=event.heard.text,
        value=reading.value,
        unit=reading.unit,
        approximate=reading.approximate,
        upper=reading.upper,
        audio=event.audio,
    )


def candidate_of(taken: Taken) -> Candidate:
    """A reading that was taken, as it may be said again."""
    return Candidate("", taken.value, taken.unit, approximate=taken.approximate, upper=taken.upper)


def said_value(taken: Taken) -> str:
    """The value of a reading, as it is said."""
    return wording.read_back(candidate_of(taken))
