"""Answers that are no readings: yes, no, done, understood, and what was not understood."""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue.asides import not_here
from assistant.dialogue.context import Context, Turn, say, then
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import Said
from assistant.dialogue.figures import judge_reading
from assistant.dialogue.state import (
    Answer,
    Candidate,
    Confirming,
    HeardAnswer,
    HeardList,
    Phase,
    Proposing,
    State,
    Warned,
    handed,
)
from assistant.dialogue.steps import acknowledged, answered, ask, leave, open_step, present, presented, take, take_list
from assistant.language.meaning import Command, Meaning, Unclear, value_text
from assistant.trade.procedures import EMERGENCY, Step
from assistant.wording import english as wording


def yes_no(dialogue: Context, state: State, event: Said, meaning: Command) -> Turn:
    """Yes, no or done at a step that does not ask for a reading."""
    step = dialogue.answering(state)
    answer = meaning.name
    if meaning.of:  # in words of the step in hand, and of no other of a list
        state = handed(state, looks=())
    if step.events and not (state.hand.correcting or state.hand.untold):
        return state, say(wording.SAY_MARK)
    if step.quantities:
        return state, say(wording.READING_OR_SKIP)
    if not_yet := _not_yet(dialogue, state, step, answer):
        return state, not_yet
    if "done" in step.of_kind.outcomes:
        if answer == "no":
            return state, say(wording.SAY_DONE)
        return leave(dialogue, state, "done", [Note("done", {"step": step.id, "words": event.heard.text})])
    if answer == "next":
        return state, say(wording.YES_OR_NO)
    if state.hand.looks:
        if answer == "no":
            return presented(dialogue, handed(state, looks=()))
        return all_good(dialogue, state, event, meaning)
    # Where people have to leave at once, nobody is asked whether that was meant.
    if step.confirm and dialogue.rules.procedure.after(step, answer) != EMERGENCY:
        state = replace(state, at=Confirming(HeardAnswer(event.heard.text, answer)), failures=0)
        return state, say(wording.heard_for(answer, step.title, state.is_brief))
    return answered(dialogue, state, answer, event.heard.text)


def all_good(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Of a list of looks, none has found anything; of one check, its good answer."""
    step = dialogue.rules.procedure.step(state.step)
    if state.hand.looks:
        state = replace(
            state, at=Confirming(HeardAnswer(event.heard.text, wording.ALL_GOOD, of_looks=True)), failures=0
        )
        return presented(dialogue, state)
    if "no" not in step.of_kind.outcomes or state.hand.correcting:
        return not_here(dialogue, state, event, meaning)
    return yes_no(dialogue, state, event, Command(step.good))


def _not_yet(dialogue: Context, state: State, step: Step, answer: str) -> list[Effect]:
    """Why a good answer is not taken yet: the wait that the step asks for is not over. A bad one always is."""
    timer = next((timer for timer in state.timers if timer.step == step.id and not timer.over), None)
    if timer is None or timer.from_s is None or ("no" in step.of_kind.outcomes and answer != step.good):
        return []
    left_s = round(timer.left_s(state.now_s))
    if left_s <= 0:
        return []
    note = Note("not-waited", {"step": step.id, "seconds": timer.seconds, "left_s": left_s})
    return [note, *say(wording.NOT_YET.format(time=wording.duration(left_s)), "answer")]


def confirmed(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Yes to the reading or the answer that was heard."""
    heard = state.of(Confirming).heard
    if isinstance(heard, HeardAnswer) and heard.of_looks:
        return ask(dialogue, replace(state, all_good=state.hand.looks))
    if isinstance(heard, HeardAnswer):
        return answered(dialogue, state, heard.answer, heard.words)
    if isinstance(heard, HeardList):
        return take_list(dialogue, state, heard)
    return take(dialogue, state, judge_reading(dialogue, state, heard), confirmed=True)


def refused(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """No to what was heard: it is put aside, and a value is left out of the next try."""
    heard = state.of(Confirming).heard
    if isinstance(heard, HeardList):
        said = ", ".join(name for name, _ in heard.entries)
    else:
        said = heard.answer if isinstance(heard, HeardAnswer) else value_text(heard.value)
    if isinstance(heard, Candidate):
        state = handed(state, refused=(*state.hand.refused, heard.value))
    state = replace(state, at=Phase.ASKING)
    note = Note("refused", {"step": state.step, "value": said})
    return presented(dialogue, state, [note, *say(wording.NOT_TAKEN)])


def not_meant(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """No to a command that was nearly said: at this step it is not proposed again."""
    proposed = state.of(Proposing)
    name = proposed.command.name
    # An emergency is asked each time.
    not_meant = state.hand.not_meant if name == "emergency" else (*state.hand.not_meant, name)
    return presented(dialogue, replace(handed(state, not_meant=not_meant), at=proposed.back))


def not_understood(dialogue: Context, state: State, event: Said, meaning: Unclear) -> Turn:
    """Says why, and how to be understood; a command that was nearly said is proposed."""
    failures = state.failures + 1
    confirming = state.phase is Phase.CONFIRMING
    if confirming:
        said = wording.YES_OR_NO
    else:
        said = wording.unclear(meaning)
        if failures == 2 and dialogue.question(state).quantity:
            said += f" {wording.HELP_AFTER_TWO}"
        elif failures > 2:
            said += f" {wording.HELP_AFTER_THREE}"
    note = Note("unclear", {"step": state.step, "reason": meaning.reason, "choices": list(meaning.choices)})
    if state.counts_marks:  # what was no mark is let go: whoever speaks now does not hear the next one
        return state, [note]
    rises = meaning.detail == "rising"
    asked = dialogue.asked(state) if state.phase is Phase.ASKING else None
    if rises and asked and dialogue.rules.quantities[asked].must_not_rise:
        return _rising(dialogue, state, note)
    if meaning.reason == "refused-before":  # heard a third time, it is asked rather than refused for ever
        state = handed(state, refused=(), doubted=state.hand.refused)
    can_be_meant = meaning.near and meaning.near.name not in state.hand.not_meant
    if meaning.near and can_be_meant and not confirming:
        return presented(dialogue, replace(state, at=Proposing(meaning.near, event.heard.text, state.at)), [note])
    state = replace(state, failures=failures)
    asks = meaning.reason == "ambiguous"  # the choices are the question
    return state, [note, *say(said), *([] if asks else present(dialogue, state))]


def understood(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The danger was understood, and its warnings were voiced to the end: the question may be put."""
    step = dialogue.rules.procedure.step(state.step)
    if not state.of(Warned).voiced:
        return open_step(dialogue, state, state.step)
    note = Note("understood", {"step": step.id, "hazards": list(step.hazards)})
    return then([note], ask(dialogue, acknowledged(state, step)))


def _rising(dialogue: Context, state: State, note: Note) -> Turn:
    """What must not rise is said to rise: the cause is to be found, whatever the figure."""
    text = wording.RISES.format(name=dialogue.rules.quantities[dialogue.asked(state) or ""].spoken)
    effects: list[Effect] = [note]
    if not any(r.step == state.step and r.text == text for r in state.remarks):
        rises = Answer(state.step, "", text, after=len(state.repairs))
        state = replace(state, facts=(*state.facts, rises))
        effects.append(Note("remark", {"step": state.step, "text": text}))
    told = wording.IT_RISES
    return presented(dialogue, state, [*effects, *say(told, "answer")])


def yes_or_no(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Only yes or no answers this."""
    return presented(dialogue, state, say(wording.YES_OR_NO))
