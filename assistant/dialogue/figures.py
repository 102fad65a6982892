"""What is worked out of what was heard: a reading as it is judged, and findings. Pure, and changes no state."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from assistant.dialogue.context import Context
from assistant.dialogue.events import Said
from assistant.dialogue.state import Candidate, Found, Mark, Rules, State, Taken
from assistant.language.meaning import Reading, Value
from assistant.language.spoken import spoken_value
from assistant.trade import units
from assistant.trade.computations import FINDINGS
from assistant.trade.feeds import Known, Lacking, feed
from assistant.trade.formulas.uncertainty import meter_uncertainty
from assistant.trade.judging import RANK, RISING, Verdict, judge
from assistant.trade.limits import EmergencyKind, limit_for
from assistant.trade.procedures import Step
from assistant.trade.quantities import Overload
from assistant.wording import english as wording

# How far a mark said by voice lies from its event: half the width, in seconds (from memory, verify). The job file
# replaces it with a meter, for the voice's marks, that measures these times with an accuracy.
MARK_S = Decimal("0.3")


def uncertainty_of_marks() -> Decimal:
    """Expanded uncertainty (k = 2), in seconds, of the time between two marks: each is known to `MARK_S`."""
    one = meter_uncertainty(Decimal(0), Decimal(0), Decimal(1), MARK_S)
    return (one * one * 2).sqrt().quantize(Decimal("0.01"))


def judge_reading(dialogue: Context, state: State, candidate: Candidate, quantity_name: str | None = None) -> Taken:
    """The reading as it would be taken: lead resistance off, converted, judged with the meter's accuracy.

    quantity_name: where it is not of the quantity that is asked.
    """
    step = dialogue.answering(state)
    name = quantity_name or dialogue.asked(state)
    assert name is not None
    quantity = dialogue.rules.quantities[name]
    meter = dialogue.rules.job.meter_for(name)
    if candidate.upper is not None:
        # Of a reading that was not steady the end nearer failure counts.
        ends = [
            judge_reading(dialogue, state, replace(candidate, value=v, upper=None), name)
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
        elif candidate.timed and units.same_dimension(quantity.unit, "second"):
            uncertainty = units.convert(uncertainty_of_marks(), "second", quantity.unit)
    verdict = judge(value, limit_for(name, dialogue.rules.limits, dialogue.rules.job), uncertainty)
    if quantity.must_not_rise:
        verdict = _no_rise(verdict, value, state.latest(name))
    return Taken(
        step=step.id,
        quantity=name,
        value=candidate.value,
        unit=candidate.unit,
        judged=value,
        verdict=verdict,
        words=candidate.words,
        speaker=state.speaker,
        stage="left" if step.id in state.as_left else step.stage,
        approximate=candidate.approximate,
        steady=candidate.steady,
        below=candidate.below,
        audio=candidate.audio,
        after=len(state.repairs),
    )


def times_of(dialogue: Context, state: State, step: Step, marks: Sequence[Mark]) -> list[Taken]:
    """The times of a timed step that its marks give; each mark names its event."""
    at = {mark.event: mark.at_s for mark in marks}
    return [
        judge_reading(
            dialogue,
            state,
            Candidate(Decimal(str(round(at[stop] - at[start], 1))), "second", words="mark", timed=True),
            quantity,
        )
        for quantity, (start, stop) in step.times.items()
        if start in at and stop in at
    ]


def worst_of_times(state: State, step: Step) -> str:
    """The outcome of a timed step: the worst of its times; one that is not known cannot be judged."""
    latest = [state.latest(quantity) for quantity in step.times]
    own = [taken.verdict.outcome if taken and taken.step == step.id else "cannot-judge" for taken in latest]
    return max(own, key=RANK.index)


def findings(rules: Rules, state: State, taken_back: bool = False) -> tuple[Found, ...]:
    """What follows from the readings that were not taken back: as found before each repair, and as it stands.

    Of a finding that was worked out by a step and aside, too, the later counts. taken_back: with what followed from
    readings that were taken back and not read again, marked so.
    """
    worked = [(at, fact) for at, fact in enumerate(state.facts) if isinstance(fact, Found) and not fact.withdrawn]
    last = len(state.repairs)
    for age in range(last + 1):
        alive = [t for t in state.readings if t.after <= age and (t.voided_by is None or t.voided_by >= age)]
        standing = [t for t in alive if not t.withdrawn]
        completed = {name for t in alive for name in rules.procedure.step(t.step).works_out}
        for name in [name for name in FINDINGS if name in completed]:
            ends = min((t.voided_by for t in _inputs(name, standing) if t.voided_by is not None), default=None)
            if age in (last, ends):
                of = _worked_at(rules, state, name, standing)
                worked += [(at, replace(found, after=age, voided_by=ends)) for at, found in of]
            if taken_back and any(t.withdrawn for t in _inputs(name, alive)):
                of = _worked_at(rules, state, name, alive)
                worked += [(at, replace(found, after=age, withdrawn=True)) for at, found in of]
    stand: list[Found] = []
    for _, found in sorted(worked, key=lambda each: each[0]):
        if found.stands:
            stand = [other for other in stand if other.name != found.name or not other.stands]
        stand.append(found)
    return tuple(stand)


def found(rules: Rules, state: State, name: str) -> Found | None:
    """A finding as it stands; None where it was not worked out."""
    return next((f for f in findings(rules, state) if f.name == name and not f.voided), None)


def _inputs(name: str, readings: Sequence[Taken]) -> list[Taken]:
    """The last reading of each input of a finding."""
    latest = {taken.quantity: taken for taken in readings}
    return [latest[quantity] for quantity in FINDINGS[name].readings if quantity in latest]


def _worked_at(rules: Rules, state: State, name: str, readings: Sequence[Taken]) -> list[tuple[int, Found]]:
    """A finding from these readings, with the place of its last input; nothing unless a step completes it."""
    inputs = _inputs(name, readings)
    completes = [t for t in inputs if name in rules.procedure.step(t.step).works_out]
    if not completes:
        return []
    last = max(inputs, key=state.facts.index)
    before = [t for t in readings if t is not last]
    old = None
    if any(name in rules.procedure.step(t.step).works_out for t in _inputs(name, before)):
        old = work_out(rules, before, name, completes[-1].step)
    return [(state.facts.index(last), work_out(rules, readings, name, completes[-1].step, old))]


def work_out(rules: Rules, readings: Sequence[Taken], name: str, step: str, before: Found | None = None) -> Found:
    """A finding from readings; with a problem where one is missing. before: as it was found before them."""
    finding = FINDINGS[name]
    latest = {taken.quantity: taken for taken in readings}

    def known(quantity: str) -> Known | None:
        taken = latest.get(quantity)
        if taken is None or not isinstance(taken.judged, Decimal):
            return None
        return Known(taken.judged, rules.quantities[quantity].unit, "reading")

    try:
        got = feed(name, rules.job, known, finding=True)
    except ValueError as wrong:
        return Found(name, step, None, finding.unit, None, str(wrong))
    if isinstance(got, Lacking):
        problem = wording.NO_FIGURE.format(name=rules.quantities[got.quantity].spoken)
        if got.feed.job:
            problem = wording.NOT_IN_THE_JOB_FILE.format(name=got.quantity.replace("-", " "))
        return Found(name, step, None, finding.unit, None, problem)
    value = got.worked.value
    assert isinstance(value, Decimal)
    verdict = judge(value, limit_for(name, rules.limits, rules.job), None)
    if finding.must_not_rise:
        verdict = _no_rise(verdict, value, before)
    return Found(name, step, value, finding.unit, verdict)


def _no_rise(verdict: Verdict, value: Value, before: Taken | Found | None) -> Verdict:
    """Of what must not rise: a later reading that is higher asks for the cause."""
    old = before.judged if isinstance(before, Taken) else before.value if before else None
    rises = isinstance(value, Decimal) and isinstance(old, Decimal) and value > old
    if rises and verdict.outcome in ("pass", "noted", "caution"):
        return replace(verdict, outcome="caution", reason=RISING)
    return verdict


def read_back(dialogue: Context, state: State, reading: Reading) -> str:
    """What was heard; a value in another unit than asked also in that one."""
    said = wording.read_back(reading)
    if isinstance(reading.value, Decimal):
        name = dialogue.asked(state)
        asked = dialogue.rules.quantities[name].unit if name else reading.unit
        if state.is_brief and name and reading.unit == asked and reading.steady and not reading.below:
            return wording.without_unit(said, reading)
        if reading.unit != asked:
            converted = units.round_significant(units.convert(reading.value, reading.unit, asked), 3)
            said += wording.THAT_IS.format(value=spoken_value(converted, asked))
    return said


def calls_for_leaving(dialogue: Context, taken: Taken) -> EmergencyKind | None:
    """The emergency that a reading is; None where nobody need leave."""
    rule = dialogue.rules.limits.get(taken.quantity)
    if rule is None or rule.emergency_from is None:
        return None
    reached = isinstance(taken.judged, Decimal) and taken.judged >= rule.emergency_from
    return rule.emergency if reached or taken.judged is Overload.OVER_RANGE else None


def _difference(unit: str) -> str:
    """The unit of a spread of values in `unit`: of temperatures it is a difference."""
    return f"delta_{unit}" if unit in ("degF", "degC") else unit


def heard(event: Said, reading: Reading) -> Candidate:
    """What was heard, not yet taken."""
    return Candidate(**vars(reading), words=event.heard.text, audio=event.audio)
