"""What is worked out by voice at any step: the visit's readings feed it, and what is lacking is asked.

The pending question waits meanwhile and is put again afterwards. What is asked aside is only what nobody can be
hurt by; anything else is read at its own step, with its warnings. Nothing here changes power or gas.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from functools import partial

from assistant.dialogue.bodies import worked_body
from assistant.dialogue.comparing import compared
from assistant.dialogue.context import Context, Turn, say, then
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import Said
from assistant.dialogue.figures import found, heard, judge_reading
from assistant.dialogue.state import Candidate, Found, Hand, Phase, State, Warned, Working, handed
from assistant.dialogue.steps import back_to_the_step, presented
from assistant.dialogue.timing import stopwatch
from assistant.language.meaning import Command, Meaning, Reading, value_text
from assistant.trade import units
from assistant.trade.computations import CLOCKED, CLOCKED_BY, COMPUTATIONS
from assistant.trade.feeds import Known, Lacking, Result, feed
from assistant.trade.judging import Verdict, judge
from assistant.trade.limits import limit_for
from assistant.wording import english as wording


def work_out(dialogue: Context, state: State, event: Said, meaning: Command) -> Turn:
    """ "Work out the rise"."""
    return _begin(dialogue, state, meaning.of, fresh=False)


def clock_the_meter(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """ "Clock the meter": the input rate, from a new time of the dial."""
    if state.at is Phase.ASKING and dialogue.asked(state) == CLOCKED_BY:
        return presented(dialogue, state)
    return _begin(dialogue, state, CLOCKED, fresh=True)


def _begin(dialogue: Context, state: State, name: str, fresh: bool) -> Turn:
    back, hand = (state.at.back, state.at.hand) if isinstance(state.at, Working) else (state.at, state.hand)
    return _go_on(dialogue, replace(state, at=Working(name, back, hand, fresh=fresh)), [])


def _known(dialogue: Context, state: State, works: Working, quantity: str) -> Known | None:
    """What was said for it aside, else the visit's reading."""
    said = dict(works.said).get(quantity)
    taken = said
    if taken is None and not (works.fresh and quantity == CLOCKED_BY):
        taken = state.latest(quantity)
    if taken is None or not isinstance(taken.judged, Decimal):
        return None
    unit = dialogue.rules.quantities[quantity].unit  # judged values are in it
    return Known(taken.judged, unit, "said" if said else "reading", taken.verdict.expanded_uncertainty)


def _go_on(dialogue: Context, state: State, effects: list[Effect]) -> Turn:
    """Works it out, or asks what is lacking."""
    works = state.of(Working)
    try:
        got = feed(
            works.name,
            dialogue.rules.job,
            partial(_known, dialogue, state, works),
            works.declined,
        )
    except ValueError as wrong:
        return _back(dialogue, state, [*effects, *say(wording.CANNOT_WORK_OUT.format(why=wrong), "answer")])
    if isinstance(got, Result):
        return _worked(dialogue, state, got, effects)
    problem = _cannot_be_asked(dialogue, state, got)
    if problem:
        note = Note("not-worked-out", {"step": state.step, "working": works.name, "reason": problem})
        return _back(dialogue, state, [*effects, note, *say(problem, "answer")])
    first = got.quantity == CLOCKED_BY and not works.others_off
    works = replace(works, asks="" if first else got.quantity, heard=None)
    return presented(dialogue, replace(state, at=works, hand=Hand(not_meant=state.hand.not_meant)), effects)


def _cannot_be_asked(dialogue: Context, state: State, lacking: Lacking) -> str:
    """Why what is lacking is not asked here; empty when it is."""
    if not lacking.quantity:
        return lacking.says
    works = state.of(Working)
    name = wording.capital(dialogue.rules.quantities[lacking.quantity].spoken)
    if lacking.quantity in works.declined:
        return wording.NOT_KNOWN.format(name=name)
    if not lacking.feed.ask:
        return wording.READ_AT_ITS_STEP.format(name=name)
    site = state.site
    if lacking.feed.burner and (site.gas != "on" or site.power != "live"):
        return wording.NEEDS_THE_BURNER.format(name=name, gas=site.gas, power=site.power)
    return ""


def _worked(dialogue: Context, state: State, result: Result, effects: list[Effect]) -> Turn:
    """Tells the result and goes back."""
    works = state.of(Working)
    computation, value = COMPUTATIONS[works.name], result.worked.value
    assert isinstance(value, Decimal)
    verdict = None if result.generic else _verdict(dialogue, state, works.name, result)
    note = Note("worked-out", worked_body(state.step, computation, result, verdict))
    effects = [*effects, note, *say(wording.worked(computation, result, verdict), "answer")]
    if verdict:
        said = {quantity for quantity, _ in works.said}
        rests_on = tuple(q for q in computation.readings if q not in said and state.latest(q))
        made = Found(works.name, state.step, value, computation.unit, verdict, aside=True, rests_on=rests_on)
        state = replace(state, facts=(*state.facts, replace(made, after=len(state.repairs))))
        if computation.trend:
            effects += compared(dialogue, state.step, works.name, value)
    return _back(dialogue, state, effects)


def _verdict(dialogue: Context, state: State, name: str, result: Result) -> Verdict | None:
    """How it stands, where it is a finding too; one that a step worked out of the same readings stays as it is."""
    if not COMPUTATIONS[name].finding or not isinstance(result.worked.value, Decimal):
        return None
    before = found(dialogue.rules, state, name)
    if before and before.value == result.worked.value:
        return before.verdict
    limit = limit_for(name, dialogue.rules.limits, dialogue.rules.job)
    return judge(result.worked.value, limit, result.worked.expanded_uncertainty)


def _back(dialogue: Context, state: State, effects: list[Effect]) -> Turn:
    """Back to what was pending; warnings that were not answered yet are voiced again."""
    works = state.of(Working)
    state = replace(state, at=works.back, hand=replace(works.hand, not_meant=state.hand.not_meant))
    if isinstance(works.back, Warned):
        return then(effects, back_to_the_step(dialogue, state))
    return presented(dialogue, state, effects)


# --- what is said meanwhile


def heard_input(dialogue: Context, state: State, event: Said, meaning: Reading) -> Turn:
    """A value for what is asked."""
    question = dialogue.question(state)
    candidate = heard(event, meaning)
    doubt = dialogue.language.confirm(event.heard, meaning, question) or event.in_noise
    rivals = dialogue.language.rivals(event.heard, meaning, question, state.hand.refused)
    again = meaning.value in state.hand.doubted
    if doubt or rivals or again or meaning.upper is not None:
        return presented(dialogue, replace(state, at=replace(state.of(Working), heard=candidate)))
    return _taken(dialogue, state, candidate, wording.I_HAVE.format(what=wording.read_back(candidate)))


def _taken(dialogue: Context, state: State, candidate: Candidate, told: str) -> Turn:
    works = state.of(Working)
    taken = judge_reading(dialogue, state, candidate, works.asks)
    body = {
        "step": state.step,
        "working": works.name,
        "quantity": works.asks,
        "value": value_text(taken.value),
        "unit": taken.unit,
        "words": candidate.words,
        "audio": candidate.audio,
    }
    state = replace(state, at=replace(works, said=(*works.said, (works.asks, taken)), heard=None))
    return _go_on(dialogue, state, [Note("working-input", body), *say(told, "answer")])


def yes_no(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Yes or no to what was heard, or to all other gas being off; no to a value is that nobody knows it."""
    works = state.of(Working)
    yes = meaning == Command("yes")
    if works.heard:
        if yes:
            return _taken(dialogue, state, works.heard, wording.TAKEN)
        note = Note("refused", {"step": state.step, "value": value_text(works.heard.value)})
        state = handed(state, refused=(*state.hand.refused, works.heard.value))
        return presented(dialogue, replace(state, at=replace(works, heard=None)), [note, *say(wording.NOT_TAKEN)])
    if not works.asks:
        note = Note("other-gas-off", {"step": state.step, "answer": "yes" if yes else "no"})
        if not yes:
            told = say(wording.OTHER_GAS_IS_ON, "answer")
            return _back(dialogue, state, [note, *told])
        return _go_on(dialogue, replace(state, at=replace(works, others_off=True)), [note])
    if yes:
        return presented(dialogue, state, say(wording.THE_FIGURE))
    works = replace(works, declined=(*works.declined, works.asks))
    return _go_on(dialogue, replace(state, at=works), [])


def mark(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The first mark starts the stopwatch, the second reads it."""
    works = state.of(Working)
    if works.heard or not works.asks or not units.same_dimension(dialogue.rules.quantities[works.asks].unit, "second"):
        return presented(dialogue, state, say(wording.NO_TIME_HERE))
    state, effects, candidate = stopwatch(state, event)
    if candidate is None:
        return state, effects
    return then(effects, _taken(dialogue, state, candidate, wording.I_HAVE.format(what=wording.read_back(candidate))))


def corrected(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Takes back what was said last; where nothing was, it is given up."""
    works = state.of(Working)
    if not works.said:
        return given_up(dialogue, state, event, meaning)
    quantity, taken = works.said[-1]
    note = Note("working-correction", {"step": state.step, "quantity": quantity, "withdrawn": value_text(taken.value)})
    return _go_on(dialogue, replace(state, at=replace(works, said=works.said[:-1])), [note])


def given_up(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """It is not worked out after all."""
    works = state.of(Working)
    note = Note("not-worked-out", {"step": state.step, "working": works.name, "reason": "given up"})
    return _back(dialogue, state, [note, *say(wording.NOT_WORKED_OUT, "answer")])
