"""A visit begins, or goes on after an interruption; and what became of the words that were to be voiced."""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue.context import Context, Turn, say, then
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import Opened, Voiced
from assistant.dialogue.state import At, Hand, Holding, Noting, Proposing, State, Warned, Working
from assistant.dialogue.steps import acknowledged, ask, open_step, presented, warnings
from assistant.language.meaning import Meaning
from assistant.wording import english as wording


def opened(dialogue: Context, state: State, event: Opened, meaning: Meaning) -> Turn:
    """The visit begins with its first step, or goes on where it was."""
    if not state.opened:
        state = replace(state, opened=True, pace=dialogue.rules.job.pace or "full")
        first = wording.NO_PERMISSION_BRIEF if state.is_brief else wording.NO_PERMISSION
        return then(say(first), open_step(dialogue, state, state.step))
    hello = say(wording.GOING_ON.format(where=wording.how_far(state, dialogue.rules)))
    state, notes, told = _times_lost(replace(state, warned_of=()))
    if isinstance(state.at, Warned):
        return then([*notes, *hello, *told], open_step(dialogue, state, state.step))
    # What was warned of before the interruption is said again; "understood" is in the record already.
    return presented(dialogue, state, [*notes, *hello, *told, *warnings(dialogue, state)])


def hazards_voiced(dialogue: Context, state: State, event: Voiced, meaning: Meaning) -> Turn:
    """The warnings of a step were played to the end; without a danger its question is put."""
    if state.of(Warned).voiced:
        return state, []
    step = dialogue.rules.procedure.step(state.step)
    effects: list[Effect] = [Note("hazards-voiced", {"step": step.id, "hazards": list(step.hazards)})]
    state = replace(state, at=Warned(voiced=True))
    if dialogue.has_danger(state, step):
        return state, effects
    return then(effects, ask(dialogue, acknowledged(state, step)))


def not_voiced(dialogue: Context, state: State, event: Voiced, meaning: Meaning) -> Turn:
    """Something could not be voiced to its end."""
    return state, [Note("not-voiced", {"problem": event.problem, "step": state.step})]


def not_warned(dialogue: Context, state: State, event: Voiced, meaning: Meaning) -> Turn:
    """A warning could not be voiced to its end: the visit holds, for the hand must not go in."""
    turn, notes = not_voiced(dialogue, state, event, meaning)
    return replace(turn, at=Holding(state.at)), notes


def _times_lost(state: State) -> tuple[State, list[Effect], list[Effect]]:
    """The stream's clock begins anew after an interruption: no time reaches across it."""
    notes: list[Effect] = []
    told: list[Effect] = []
    at, hand = _without_marks(state.at), _unmarked(state.hand)
    if (at, hand) != (state.at, state.hand):
        notes += [Note("marks-dropped", {"step": state.step, "reason": "interrupted"})]
        told += say(wording.MARKS_LOST)
        state = replace(state, at=at, hand=hand)
    if asked_for := [timer for timer in state.timers if not timer.step]:
        notes += [Note("timer-off", {"seconds": [timer.seconds for timer in asked_for]})]
        told += say(wording.TIMERS_LOST)
    waits = [timer for timer in state.timers if timer.step]  # they begin anew too
    anew = (timer if timer.over else replace(timer, from_s=None, told=None) for timer in waits)
    if state.stopwatches:
        notes += [Note("stopwatch-lost", {"numbers": [*state.stopwatches]})]
        told += say(wording.STOPWATCHES_LOST)
    return replace(state, left_at={}, timers=tuple(anew), stopwatches={}), notes, told


def _unmarked(hand: Hand) -> Hand:
    return replace(hand, marks=(), first_mark_s=None)


def _without_marks(at: At) -> At:
    """The phase, and those that it goes back to, without the marks of a time."""
    if isinstance(at, Working):
        at = replace(at, hand=_unmarked(at.hand))
    if isinstance(at, (Working, Holding, Noting, Proposing)):
        return replace(at, back=_without_marks(at.back))
    return at
