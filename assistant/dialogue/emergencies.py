"""From an emergency word to the area being clear."""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue import wording
from assistant.dialogue.context import Context, Turn, say
from assistant.dialogue.effects import Note
from assistant.dialogue.events import Said
from assistant.dialogue.state import Candidate, Phase, State
from assistant.dialogue.steps import emergency, open_step, present
from assistant.language.meaning import Command, Meaning, Unclear
from assistant.trade.procedures import State as Site


def emergency_words(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Words of an emergency, said in any phase."""
    text = event.heard.text
    return emergency(dialogue, state, text, dialogue.language.emergency(text) or "unknown")


def stay_out(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Anything else in an emergency."""
    return state, say(wording.STAY_OUT, "alarm")


def area_clear(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Somebody says that the area is clear, and is asked who."""
    state = replace(state, phase=Phase.CLEARING, candidate=None)
    return state, [Note("area-clear-said", {"audio": event.audio}), *present(dialogue, state)]


def named(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The name of whoever says that the area is clear is kept as a recording; then a yes is needed."""
    if state.candidate is None:
        if meaning == Unclear("silence"):
            return state, present(dialogue, state)
        note = Note("cleared-by", {"audio": event.audio, "words": event.heard.text})
        state = replace(state, candidate=Candidate(words=event.heard.text, audio=event.audio))
        return state, [note, *present(dialogue, state)]
    if meaning == Command("yes"):
        first = dialogue.rules.procedure.steps[0].id
        turn, effects = open_step(dialogue, replace(state, path=(), site=Site()), first)
        clear = Note("area-clear", {"audio": state.candidate.audio})
        return turn, [clear, *say("The visit starts again from the arrival checks."), *effects]
    state = replace(state, phase=Phase.EMERGENCY, candidate=None)
    return state, say(wording.STAY_OUT, "alarm")
