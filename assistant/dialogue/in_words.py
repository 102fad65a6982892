"""An answer in the question's own words, where a step asks: what a check finds, "okay", and "now" for a mark. Pure."""

from __future__ import annotations

from assistant.dialogue import timing
from assistant.dialogue.answers import yes_no
from assistant.dialogue.asides import not_here
from assistant.dialogue.context import FINISHED, NOW, SEEN, Context, Turn
from assistant.dialogue.events import Said
from assistant.dialogue.state import State, handed
from assistant.language.meaning import Command, Named


def in_words(dialogue: Context, state: State, event: Said, meaning: Named) -> Turn:
    """The yes, the done or the mark that the words mean here."""
    if meaning.rule == FINISHED:
        return yes_no(dialogue, state, event, Command("next"))
    if meaning.rule == SEEN:
        step = dialogue.answering(state)
        if meaning.of not in step.means:
            return not_here(dialogue, state, event, meaning)
        # It is said of the step in hand, and of no other of a list.
        return yes_no(dialogue, handed(state, looks=()), event, Command(step.means[meaning.of]))
    return mark(dialogue, state, event, meaning)


def mark(dialogue: Context, state: State, event: Said, meaning: Named) -> Turn:
    """ "Now", or the name of an event, for "mark"."""
    return timing.mark(dialogue, state, event, Command("mark", marks=("" if meaning.rule == NOW else meaning.of,)))
