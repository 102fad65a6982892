"""What is said about readings: a value, several by name, a correction, the stopwatch."""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue.comparing import FAR_FROM_LAST, is_far_from_last
from assistant.dialogue.context import Context, Turn, say, then
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import IN_NOISE, Said
from assistant.dialogue.figures import findings, heard, judge_reading
from assistant.dialogue.state import Answer, Candidate, Confirming, Fact, Found, HeardList, Phase, State, Taken, handed
from assistant.dialogue.steps import back_to_the_step, open_step, presented, weigh
from assistant.language.meaning import Confirm, Meaning, Reading, Readings, Unclear, value_text
from assistant.trade.computations import FINDINGS
from assistant.trade.procedures import State as Site
from assistant.trade.procedures import Step
from assistant.wording import english as wording


def heard_reading(dialogue: Context, state: State, event: Said, meaning: Reading) -> Turn:
    """The reading that is asked."""
    candidate = heard(event, meaning)
    return weigh(dialogue, state, candidate, _doubt(dialogue, state, event, meaning))


def heard_readings(dialogue: Context, state: State, event: Said, meaning: Readings) -> Turn:
    """Readings by name: one of what is asked is weighed; any others are read back as a list, for one yes."""
    asked = dialogue.question(state).quantity
    effects: list[Effect] = []
    entries: list[tuple[str, Candidate]] = []
    for name, reading in meaning.entries:
        spoken = dialogue.rules.quantities[name].spoken
        if isinstance(reading, Unclear):
            effects += say(f"{wording.capital(spoken)}: {wording.unclear(reading)}")
        elif (asked is None or name != asked.name) and (unfit := _no_place_for(dialogue, state, name)):
            effects += say(wording.NOT_KEPT.format(name=spoken, why=unfit))
        elif asked and name == asked.name and len(meaning.entries) == 1:
            return then(effects, heard_reading(dialogue, state, event, reading))
        else:
            entries.append((name, heard(event, reading)))
    if not entries:
        return presented(dialogue, state, effects)
    state = replace(state, at=Confirming(HeardList(tuple(entries))), failures=0)
    values = [{"quantity": name, "value": value_text(each.value), "unit": each.unit} for name, each in entries]
    note = Note("heard-list", {"step": state.step, "values": values, "speaker": state.speaker})
    return presented(dialogue, state, [note, *effects])


def _no_place_for(dialogue: Context, state: State, quantity: str) -> str:
    """Why a reading that is not asked now cannot be kept; empty when a later step asks it as things are."""
    procedure = dialogue.rules.procedure
    later = [s for s in procedure.steps[procedure.number(state.step) :] if s.quantity == quantity]
    if not later:
        return wording.NOT_ASKED_LATER
    return dialogue.unfit(state.site, later[0])


def _doubt(dialogue: Context, state: State, event: Said, meaning: Reading) -> str:
    """Why the words, or the last visit, call for a yes; empty when they do not."""
    question = dialogue.question(state)
    confirm: Confirm | None = dialogue.language.confirm(event.heard, meaning, question)
    if confirm:
        return confirm
    if event.in_noise:
        return IN_NOISE
    if meaning.value in state.hand.doubted:
        return "refused before"
    if rivals := dialogue.language.rivals(event.heard, meaning, question, state.hand.refused):
        return rivals[0].detail if isinstance(rivals[0], Unclear) else "alternative"
    taken = judge_reading(dialogue, state, Candidate(meaning.value, meaning.unit))
    return FAR_FROM_LAST if is_far_from_last(dialogue, taken) else ""


def corrected(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Takes back the last reading or answer, at any later moment, with all that followed from it; asks it again."""
    if state.hand.correcting:
        return presented(dialogue, state)
    last = next((f for f in reversed(state.facts) if f.stands and not isinstance(f, Found)), None)
    if last is None:
        return presented(dialogue, state, say(wording.NOTHING_TO_TAKE_BACK))
    before = findings(dialogue.rules, state)
    state = replace(
        state,
        at=Phase.ASKING,
        hand=replace(state.hand, correcting=last, refused=()),
        facts=tuple(_taken_back(fact, last) for fact in state.facts),
        failures=0,
    )
    stand = findings(dialogue.rules, state)
    gone = [found.name for found in before if found.verdict and not found.voided and found not in stand]
    told, body = _what(dialogue, last)
    body |= {"findings": gone} if gone else {}
    step = dialogue.rules.procedure.step(last.step)
    notes: list[Effect] = []
    before_a_repair = last.after < len(state.repairs)
    if isinstance(last, Answer) and step.sets and not before_a_repair:
        state, notes = _as_it_was(state, step)
    elif isinstance(last, Answer) and _mended_last(state, last, step):
        body |= {"repair": step.mends}
        state = _not_repaired(state)
    with_it = (wording.WITH_IT.format(name=FINDINGS[name].spoken) for name in gone)
    said = say(" ".join([wording.TAKEN_BACK.format(what=told), *with_it]))
    if state.hand.correcting is None:  # its step is worked again as a whole
        turn = open_step(dialogue, state, last.step)
    # A remark beside a reading is not asked by itself; what set power or gas before a repair is asked again anyway.
    elif isinstance(last, Answer) and (not last.answer or (step.sets and before_a_repair)):
        turn = back_to_the_step(dialogue, handed(state, correcting=None))
    else:
        turn = presented(dialogue, state)
    return then([Note("correction", body), *said, *notes], turn)


def _what(dialogue: Context, last: Taken | Answer) -> tuple[str, dict[str, object]]:
    """What is taken back, as it is said and as it is noted."""
    if isinstance(last, Taken):
        name = dialogue.rules.quantities[last.quantity].spoken
        withdrawn = {"quantity": last.quantity, "withdrawn": value_text(last.value)}
        return f"{name}, {wording.read_back(last)}", {"step": last.step, **withdrawn}
    name = dialogue.rules.procedure.step(last.step).title
    return f"{name}, {last.answer or last.text}", {"step": last.step, "answer": last.answer or last.text}


def _taken_back(fact: Fact, last: Taken | Answer) -> Fact:
    """What becomes of a fact once `last` is taken back: what was worked out of it by voice goes with it."""
    rests = isinstance(fact, Found) and isinstance(last, Taken) and last.quantity in fact.rests_on
    return replace(fact, withdrawn=True) if fact is last or rests else fact


def _as_it_was(state: State, step: Step) -> tuple[State, list[Effect]]:
    """Before an answer that changed power or gas."""
    power = step.power[0] if step.power else "unknown"
    site = Site(power=power, gas=step.gas[0] if step.gas else state.site.gas)
    note = Note("site", {"power": site.power, "gas": site.gas, "step": step.id})
    return replace(handed(state, correcting=None), site=site, burning=False), [note]


def _mended_last(state: State, last: Answer, step: Step) -> bool:
    """Whether an answer was a repair, and no other came after it."""
    made = state.repairs[-1] if state.repairs else None
    return made is not None and last.answer == step.good and (made.step, made.name) == (last.step, step.mends)


def _not_repaired(state: State) -> State:
    """Without the last repair: what it voided stands again, as found."""
    number = len(state.repairs) - 1
    return replace(
        handed(state, correcting=None),
        facts=tuple(replace(fact, voided_by=None) if fact.voided_by == number else fact for fact in state.facts),
        repairs=state.repairs[:number],
    )
