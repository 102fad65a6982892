"""Nobody answers, and how the voice is set: presence, pace and volume. Pure."""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue.context import Context, Turn, say
from assistant.dialogue.effects import Note
from assistant.dialogue.events import Quiet, Said
from assistant.dialogue.state import Phase, State
from assistant.dialogue.steps import presented
from assistant.language.meaning import Command, Meaning
from assistant.wording import english as wording

CALLS = 2  # "are you there?" before the alarm (common practice of watching people who work alone)
MARKS_WAIT = 7  # silences that a run being marked may last: a pilot's safe shut-down takes up to three minutes
LEVELS = range(-2, 3)  # of pace and of volume, 0 is the start
WITH_A_STEP = (Phase.WARNING, Phase.ASKING, Phase.CONFIRMING, Phase.PROPOSING, Phase.WORKING)
SETTINGS = {"louder": ("volume", 1), "quieter": ("volume", -1), "faster": ("speed", 1), "slower": ("speed", -1)}


def quiet(dialogue: Context, state: State, event: Quiet, meaning: Meaning) -> Turn:
    """Nobody has said anything for a while; at a step with a danger somebody may be hurt."""
    state = replace(state, silences=state.silences + 1)
    if state.counts_marks and state.silences <= MARKS_WAIT:  # whoever speaks does not hear the next mark
        return state, []
    step = dialogue.rules.procedure.step(state.step)
    alone = state.phase in WITH_A_STEP and dialogue.has_danger(state, step)
    if not alone and state.waits:  # nothing is to be said until the time is up
        return state, []
    if not alone:
        return presented(dialogue, state, say(wording.LISTENING))
    body = {"step": step.id, "times": state.silences, "seconds": event.seconds}
    if state.silences <= CALLS:
        return presented(dialogue, state, [Note("called", body), *say(wording.ARE_YOU_THERE, "call")])
    return state, [Note("no-answer", body), *say(wording.NOBODY_ANSWERS, "alarm")]


def set_voice(dialogue: Context, state: State, event: Said, meaning: Command) -> Turn:
    """Louder, quieter, faster or slower, from the next sentence on."""
    what, by = SETTINGS[meaning.name]
    old = state.volume if what == "volume" else state.speed
    level = old + by
    if level not in LEVELS:
        return presented(dialogue, state, say(wording.AS_FAR_AS_IT_GOES))
    state = replace(state, volume=level) if what == "volume" else replace(state, speed=level)
    return presented(dialogue, state, [Note("voice-set", {"volume": state.volume, "pace": state.speed})])


def set_talk(dialogue: Context, state: State, event: Said, meaning: Command) -> Turn:
    """Brief or full from the next sentence on."""
    state = replace(state, pace="brief" if meaning.name == "talk-less" else "full")
    note = Note("talk-set", {"pace": state.pace})
    return presented(dialogue, state, [note, *say(wording.TALK_BRIEF if state.is_brief else wording.TALK_FULL)])
