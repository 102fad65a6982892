"""The gate: what the visit has found that forbids opening the gas, lighting, running, or leaving the appliance on.

A finding forbids until it is mended and measured again. Taking it back or skipping it opens nothing: the gate stays
closed until it is read again. A finding that only the flame can show again (late lighting, carbon monoxide, spillage)
opens the gate for one lighting once its repair is recorded and the cold checks that the repair voided are made; the
visit then goes straight to that measurement. Leaving on stays forbidden until it passes. Pure.
"""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue.figures import findings
from assistant.dialogue.state import Answer, Bar, Fact, Found, Rules, State, Taken
from assistant.trade.computations import FINDINGS
from assistant.trade.judging import Act
from assistant.trade.procedures import Step, left_out


def bars(rules: Rules, state: State) -> tuple[Bar, ...]:
    """All that forbids something, in the order in which it was found."""
    closed: dict[str, Bar] = {}
    known = [*(f for f in state.facts if not isinstance(f, Found)), *findings(rules, state, taken_back=True)]
    for fact in known:
        of, acts = about(fact), _forbids(rules, fact)
        old = closed.get(of)
        if acts and not fact.withdrawn:
            closed.pop(of, None)
            closed[of] = Bar(of, fact, acts, "mended" if fact.voided_by is not None else "found")
        elif acts:
            closed.setdefault(of, Bar(of, fact, acts, "taken back"))
        elif old and not fact.withdrawn and _judged(fact) and _opens(old, fact):
            del closed[of]
    return tuple(closed.values())


def about(fact: Fact) -> str:
    """What a fact is about: its quantity, its check or its finding."""
    return fact.quantity if isinstance(fact, Taken) else fact.step if isinstance(fact, Answer) else fact.name


def _judged(fact: Fact) -> bool:
    """Whether it says that what it is about is in order: what cannot be judged opens nothing."""
    if isinstance(fact, Answer):
        return True
    return fact.verdict is not None and fact.verdict.outcome != "cannot-judge"


def _opens(bar: Bar, by: Fact) -> bool:
    """Whether a later, good measurement lifts a bar: only after a repair, or where the bad one was taken back."""
    if bar.stands == "found":
        return False
    return bar.stands == "taken back" or by.after > (bar.fact.voided_by or 0)


def _forbids(rules: Rules, fact: Fact) -> tuple[Act, ...]:
    if isinstance(fact, Answer):
        return rules.procedure.step(fact.step).forbids if fact.text else ()
    if fact.verdict is None:
        return ()
    value = fact.judged if isinstance(fact, Taken) else fact.value
    return () if value is None else fact.verdict.forbids(value)


def barred(rules: Rules, state: State, step: Step) -> Bar | None:
    """What forbids a step that opens the gas, lights or runs; None where nothing does."""
    if step.act is None:
        return None
    return next((bar for bar in bars(rules, state) if step.act in bar.acts and _closes(rules, state, bar, step)), None)


def forbidding(rules: Rules, state: State, act: Act) -> tuple[Bar, ...]:
    """All that forbids an act and is not mended and measured again."""
    return tuple(bar for bar in bars(rules, state) if act in bar.acts)


def _closes(rules: Rules, state: State, bar: Bar, step: Step) -> bool:
    if bar.stands != "mended":
        return True
    measured = measures(rules, bar)
    if not _needs_the_flame(rules, measured):
        # What is measured with the gas on lets it be opened for that, and no more.
        return not (step.act == "gas on" and any(each.gas == ("on",) for each in measured))
    if open_checks(rules, state, bar):
        return True
    return step.burner == "lights" and step.id in state.lit


def measures(rules: Rules, bar: Bar) -> list[Step]:
    """The steps that measure again what forbids."""
    steps = rules.procedure.steps
    if isinstance(bar.fact, Answer):
        return [step for step in steps if step.id == bar.about]
    names = FINDINGS[bar.about].readings if isinstance(bar.fact, Found) else (bar.about,)
    return [step for step in steps if set(names) & set(step.quantities)]


def _lightings(rules: Rules) -> list[int]:
    """The numbers of the steps that light on a visit on which nothing is found wrong, but for one cycle as found."""
    procedure = rules.procedure
    steps = (procedure.step(step) for step in procedure.plain_way(rules.job))
    return [procedure.number(step.id) for step in steps if step.burner == "lights" and not step.never_after]


def _first_lighting(rules: Rules) -> int:
    """The number of the first step that lights."""
    return min(_lightings(rules), default=len(rules.procedure.steps) + 1)


def _needs_the_flame(rules: Rules, measured: list[Step]) -> bool:
    """Whether nothing measures it before the first lighting."""
    first = _first_lighting(rules)
    return bool(measured) and all(rules.procedure.number(step.id) >= first for step in measured)


def open_checks(rules: Rules, state: State, bar: Bar) -> list[Step]:
    """The checks before the lighting that the repair of a finding voided, and that were not made again on the way."""
    procedure = rules.procedure
    if bar.fact.voided_by is None:
        return []
    made = state.repairs[bar.fact.voided_by]
    restart = procedure.number(procedure.repairs[made.name].restart)
    return [
        step
        for step in procedure.steps[restart - 1 : _first_lighting(rules) - 1]
        if step.id in made.voids
        and not (step.gas == ("on",) or left_out(step, rules.job))
        and state.outcome(step.id) in ("", "skip")
    ]


def first_of_all(rules: Rules, state: State, step: Step) -> Step | None:
    """The step to go to instead of one that runs: what a repair wants to be measured before all else."""
    if step.burner != "runs":
        return None
    procedure = rules.procedure
    wanted: list[Step] = []
    for bar in bars(rules, state):
        if bar.stands == "mended" and "running" in bar.acts:
            wanted += [_with_the_flame(rules, each) for each in _unmeasured(rules, state, bar)]
    if not wanted or step in wanted:
        return None
    first = min(wanted, key=lambda each: procedure.number(each.id))
    before = [n for n in _lightings(rules) if n < procedure.number(first.id)]
    if any(procedure.steps[n - 1].id not in state.lit for n in before):
        return None  # it does not burn yet
    return first


def _unmeasured(rules: Rules, state: State, bar: Bar) -> list[Step]:
    measured = measures(rules, bar)
    if not _needs_the_flame(rules, measured):
        return []
    return [step for step in measured if not (step.if_it_tells and len(measured) > 1) and not state.outcome(step.id)]


def _with_the_flame(rules: Rules, measure: Step) -> Step:
    """The step itself, or where it is worked after the flame was taken away, the step that takes it away."""
    if measure.burner:
        return measure
    procedure = rules.procedure
    before = procedure.steps[: procedure.number(measure.id)]
    return next((step for step in reversed(before) if step.burner == "runs"), measure)


def must_stop(rules: Rules, state: State) -> Bar | None:
    """What forbids the burner to run on, where it burns and the step in hand does not take gas or power away."""
    step = rules.procedure.step(state.step)
    if not state.burning or step.shuts_down:
        return None
    stands = ("found",) if state.hand.correcting else ("found", "taken back")  # what is asked again may still pass
    return next((bar for bar in forbidding(rules, state, "running") if bar.stands in stands), None)


def lit(state: State, step: Step) -> State:
    """After a step was left: whether it burns, and which steps lit it since the last repair."""
    if step.burner == "lights":
        return replace(state, burning=True, lit=tuple(dict.fromkeys((*state.lit, step.id))))
    if state.site.gas != "on" or state.site.power != "live":
        return replace(state, burning=False)
    return state
