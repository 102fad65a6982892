"""A repair on the way: what it touches no longer stands and is asked again, as left.

What was found before it stays in the record, as found. The visit is walked again from the step that the repair
names, with nothing assumed of power and gas. What still stands is passed over; what changes power or gas, what is
done by hand, what is asked twice and what closes every visit never is.
"""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue.context import Context, Turn, say, then
from assistant.dialogue.effects import Note
from assistant.dialogue.events import Said
from assistant.dialogue.state import Phase, RepairHeard, State
from assistant.dialogue.steps import back_to_the_step, given_up, open_step, presented, repaired
from assistant.language.meaning import Command, Meaning, Named, Unclear
from assistant.trade.procedures import PROOFS, Step
from assistant.trade.procedures import State as Site
from assistant.wording import english as wording


def repair(dialogue: Context, state: State, event: Said, meaning: Command) -> Turn:
    """ "Repair" alone asks what was repaired; with words after it, they say it."""
    if not dialogue.rules.procedure.repairs:
        return presented(dialogue, state, say(wording.NO_REPAIRS))
    name = _known(dialogue, meaning)
    at = RepairHeard(name, event.heard.text, event.audio) if name else Phase.REPAIR
    return presented(dialogue, replace(state, at=at))


def _known(dialogue: Context, meaning: Meaning) -> str:
    """The repair that was named, if the procedure has it."""
    name = meaning.of if isinstance(meaning, (Command, Named)) else ""
    return name if name in dialogue.rules.procedure.repairs else ""


def shut_down(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The way on that is always open: the appliance is shut down and left off."""
    down = dialogue.rules.procedure.way_down(state.site)
    if not down:
        return presented(dialogue, state, say(wording.NO_SHUT_DOWN))
    return then([Note("shut-down", {"step": state.step})], open_step(dialogue, replace(state, resume_at=""), down))


def named(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """What was repaired; words that name none of the repairs are kept, and the repairs offered one by one."""
    if meaning == Unclear("silence"):
        return presented(dialogue, state)
    name = _known(dialogue, meaning)
    first = next(iter(dialogue.rules.procedure.repairs))
    at = RepairHeard(name or first, event.heard.text, event.audio, offered=not name)
    return presented(dialogue, replace(state, at=at))


def none_made(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Nothing was repaired after all."""
    return then(say(wording.NO_REPAIR_RECORDED), back_to_the_step(dialogue, state))


def another(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """No to a repair: the next one is offered, and after the last the words are kept as a note."""
    heard = state.of(RepairHeard)
    names = list(dialogue.rules.procedure.repairs)
    later = names[names.index(heard.name) + 1 :]
    rest = later if heard.offered else [name for name in names if name != heard.name]
    if rest:
        return presented(dialogue, replace(state, at=replace(heard, name=rest[0], offered=True)))
    note = Note("note", {"step": state.step, "audio": heard.audio, "words": heard.words})
    return then([note, *say(wording.REPAIR_AS_A_NOTE)], back_to_the_step(dialogue, state))


def _may_stand(step: Step) -> bool:
    fixed = step.of_kind.by_hand or step.sets or "gas on" in step.forbids or step.burner == "lights"
    return not (fixed or any(PROOFS[proof].after_repair for proof in step.proves))


def made(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Records the repair, voids what it touches, and walks the visit again from its restart."""
    heard = state.of(RepairHeard)
    procedure = dialogue.rules.procedure
    of = procedure.repairs[heard.name]
    state, given = given_up(state)
    state, note = repaired(dialogue, state, heard, of.restart)
    stands = tuple(step.id for step in procedure.steps if state.outcome(step.id) and _may_stand(step))
    state = replace(
        state, site=Site(), burning=False, resume_at="", path=(), left_at={}, ahead={}, ran=(), stands=stands
    )
    told = say(wording.REPAIR_RECORDED.format(repair=of.say), "answer")
    return then([*given, note, *told], open_step(dialogue, state, of.restart))
