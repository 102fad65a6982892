"""From an emergency word to the area being clear."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from assistant.dialogue.context import Context, Turn, say, then
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import Said
from assistant.dialogue.state import Cleared, Phase, RepairHeard, State
from assistant.dialogue.steps import emergency, open_step, presented, repaired
from assistant.language.meaning import Command, Meaning, Unclear
from assistant.trade.limits import EmergencyKind
from assistant.trade.procedures import State as Site
from assistant.wording import english as wording


def emergency_words(dialogue: Context, state: State, event: Said, meaning: Command) -> Turn:
    """Words of an emergency, said in any phase."""
    return emergency(dialogue, state, event.heard.text, cast("EmergencyKind", meaning.of))


def stay_out(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Anything else in an emergency."""
    return state, say(wording.STAY_OUT, "alarm")


def area_clear(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Somebody says that the area is clear, and is asked who."""
    return presented(dialogue, replace(state, at=Phase.CLEARING), [Note("area-clear-said", {"audio": event.audio})])


def named(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The name of whoever says that the area is clear is kept as a recording; then a yes is needed."""
    if meaning == Unclear("silence"):
        return presented(dialogue, state)
    note = Note("cleared-by", {"audio": event.audio, "words": event.heard.text})
    return presented(dialogue, replace(state, at=Cleared(event.audio)), [note])


def cleared(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Yes to the area being clear: the visit starts again."""
    procedure = dialogue.rules.procedure
    first = procedure.steps[0].id
    clear: list[Effect] = [Note("area-clear", {"audio": state.of(Cleared).audio})]
    # Whoever says so answers for the air: what was read of it is as found, and is measured again first of all.
    for name in [name for name, repair in procedure.repairs.items() if repair.restart == first]:
        state, made = repaired(dialogue, state, RepairHeard(name, "", ""))
        clear.append(made)
    return then([*clear, *say(wording.STARTS_AGAIN)], open_step(dialogue, replace(state, path=(), site=Site()), first))
