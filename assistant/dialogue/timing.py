"""Times by voice: the marks of a timed step, trials that are counted, and the stopwatch of one reading.

Between the marks nothing is said, since the assistant does not hear while it speaks. A mark that names its event
("mark flame") settles which one it is. Where marks are missing, the events they may belong to are all considered;
a time is worked out only where every way gives it the same two marks, and is never invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from itertools import combinations, repeat

from assistant.dialogue.answers import yes_no
from assistant.dialogue.bodies import reading_body
from assistant.dialogue.context import Context, Turn, say, then
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import Said
from assistant.dialogue.figures import times_of, worst_of_times
from assistant.dialogue.state import Candidate, Mark, Missed, Phase, State, Taken, Timed, handed
from assistant.dialogue.steps import leave, presented, weigh
from assistant.language.meaning import Command, Meaning, Named, value_text
from assistant.trade import units
from assistant.trade.procedures import Step
from assistant.wording import english as wording


def mark(dialogue: Context, state: State, event: Said, meaning: Command) -> Turn:
    """The next event of a timed step, a trial to count, or the stopwatch of a reading in seconds."""
    made = _marks(event, meaning)
    step = dialogue.rules.procedure.step(state.step)
    if step.events and not state.hand.correcting:
        return _mark_event(dialogue, state, made, step)
    asked = dialogue.question(state).quantity
    if asked and units.same_dimension(asked.unit, "second"):
        state, effects, candidate = stopwatch(state, event)
        return then(effects, weigh(dialogue, state, candidate, "")) if candidate else (state, effects)
    if asked and asked.unit == "dimensionless":
        state = handed(state, marks=(*state.hand.marks, *made))
        return state, [Note("mark", {"step": step.id, "at_s": event.at_s})]
    return presented(dialogue, state, say(wording.NO_TIME_HERE))


def stopwatch(state: State, event: Said) -> tuple[State, list[Effect], Candidate | None]:
    """The first mark starts the stopwatch of a reading in seconds, the second reads it."""
    note, first_s = Note("mark", {"step": state.step, "at_s": event.at_s}), state.hand.first_mark_s
    if first_s is None:
        return handed(state, first_mark_s=event.at_s), [note, *say(wording.MARKED)], None
    seconds = Decimal(str(round(event.at_s - first_s, 1)))
    candidate = Candidate(seconds, "second", words=event.heard.text, timed=True, audio=event.audio)
    return handed(state, first_mark_s=None), [note], candidate


def _marks(event: Said, meaning: Command) -> list[Mark]:
    """The marks of an utterance: each at the start of its word, where that is known, with the event named after it."""
    words = event.heard.words
    starts = [round(event.at_s + word.start_s - words[0].start_s, 3) for word in words if word.text == "mark"]
    return [Mark(start, name) for start, name in zip(starts or repeat(event.at_s), meaning.marks, strict=False)]


def _mark_event(dialogue: Context, state: State, made: Sequence[Mark], step: Step) -> Turn:
    effects: list[Effect] = []
    if state.hand.untold:  # the run is marked again: what its first marks gave is taken back
        old = [t for t in state.standing if t.step == step.id and t.words == "mark"]
        facts = tuple(replace(t, withdrawn=True) if t in old else t for t in state.facts)
        state = replace(handed(state, untold=()), facts=facts)
        effects += [
            Note("correction", {"step": t.step, "quantity": t.quantity, "withdrawn": value_text(t.value)}) for t in old
        ]
    for each in made:
        known = each if each.event in step.events else replace(each, event="")
        state = handed(state, marks=(*state.hand.marks, known))
        effects.append(Note("mark", {"step": step.id, "at_s": known.at_s, "event": known.event}))
    # The run is over once the last mark can be of no other event than the last; marks that fit nowhere end it too.
    if all(step.events[-1] in way for way in _ways(step, state.hand.marks, ())):
        return _settle(dialogue, state, step, Missed(state.hand.marks), effects)
    return state, effects


def next_or_over(dialogue: Context, state: State, event: Said, meaning: Command) -> Turn:
    """ "Done": where marks are taken, no more come, and trials that were counted are a reading."""
    step = dialogue.rules.procedure.step(state.step)
    if state.hand.correcting or state.hand.untold:
        return yes_no(dialogue, state, event, meaning)
    if step.events:
        return _settle(dialogue, state, step, Missed(state.hand.marks), [])
    if not state.hand.marks:
        return yes_no(dialogue, state, event, meaning)
    candidate = Candidate(Decimal(len(state.hand.marks)), "dimensionless", words=event.heard.text, audio=event.audio)
    return weigh(dialogue, handed(state, marks=()), candidate, "counted")


def _ways(step: Step, marks: tuple[Mark, ...], missed: tuple[str, ...]) -> list[dict[str, Mark]]:
    """Every way to give the marks to the events in order, by what was named and what is said to have got none."""
    ways = (
        dict(zip(events, marks, strict=True))
        for events in combinations([e for e in step.events if e not in missed], len(marks))
    )
    return [way for way in ways if all(mark.event in ("", event) for event, mark in way.items())]


def _settle(dialogue: Context, state: State, step: Step, run: Missed, effects: list[Effect]) -> Turn:
    """After the last mark: works out the times, or asks which event got no mark."""
    state = handed(state, marks=())
    if len(run.marks) > len(step.events) or not _ways(step, run.marks, ()):
        state = replace(state, at=Phase.ASKING)
        note = Note("marks-dropped", {"step": step.id, "reason": "the marks do not fit the events"})
        told = say(wording.MARKS_DO_NOT_FIT, "answer")
        return presented(dialogue, state, [*effects, note, *told])
    ways = _ways(step, run.marks, run.events)
    if run.marks and len(ways) > 1:
        return presented(dialogue, replace(state, at=run), effects)
    return _times(dialogue, state, step, ways[0] if ways else {}, effects)


def missed(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Which event got no mark; "no" where nobody knows: then only what is certain is worked out."""
    step, run = dialogue.rules.procedure.step(state.step), state.of(Missed)
    ways = _ways(step, run.marks, run.events)
    if meaning == Command("no"):
        sure = {e: m for e, m in ways[0].items() if all(way.get(e) == m for way in ways)}
        return _times(dialogue, state, step, sure, [])
    name = meaning.of if isinstance(meaning, Named) else ""
    if not any(name in step.events and name not in way for way in ways):
        return presented(dialogue, state, say(wording.EVENT_HAS_ITS_MARK))
    return _settle(dialogue, state, step, Missed(run.marks, (*run.events, name)), [])


def _times(dialogue: Context, state: State, step: Step, given: dict[str, Mark], effects: list[Effect]) -> Turn:
    """The times between the marks: taken, or asked first where one does not pass."""
    marks = tuple(replace(m, event=e) for e, m in given.items())
    state = replace(state, at=Timed(marks))
    lost = [event for event in step.events if event not in given]
    note = Note("times", {"step": step.id, "marks": {e: m.at_s for e, m in given.items()}, "missed": lost})
    taken = times_of(dialogue, state, step, marks)
    certain = not any(dialogue.rules.quantities[t.quantity].confirm for t in taken)
    if certain and all(t.verdict.is_plain for t in taken):
        return then([*effects, note], _take(dialogue, state, step, taken))
    return presented(dialogue, state, [*effects, note])


def times_confirmed(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Yes to the times."""
    step = dialogue.rules.procedure.step(state.step)
    return _take(dialogue, state, step, times_of(dialogue, state, step, state.of(Timed).marks), confirmed=True)


def times_refused(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """No to the times: the run is marked again, or its times are told."""
    state = replace(state, at=Phase.ASKING)
    note = Note("marks-dropped", {"step": state.step, "reason": "refused"})
    return presented(dialogue, state, [note, *say(wording.NOT_TAKEN)])


def _take(dialogue: Context, state: State, step: Step, taken: list[Taken], confirmed: bool = False) -> Turn:
    effects: list[Effect] = []
    for t in taken:
        name = wording.capital(dialogue.rules.quantities[t.quantity].spoken)
        told = wording.time_taken(name, t, confirmed, state.is_brief)
        effects += [Note("reading", reading_body(t)), *say(told, "answer")]
    have = {t.quantity for t in taken}
    untold = tuple(quantity for quantity in step.times if quantity not in have)
    facts = (*state.facts, *taken)
    state = replace(handed(state, untold=untold), at=Phase.ASKING, facts=facts, speaker="technician")
    if state.hand.untold:
        return presented(dialogue, state, effects)
    return leave(dialogue, state, worst_of_times(state, step), effects)
