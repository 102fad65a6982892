"""The table of the dialogue: for each phase each word, what handles it, and the phases that it may lead to.

A word is a command, "reading", "readings", "named" (a name: a reason, a repair, an event), "unclear", or an event
that nobody says: "opened", "voiced", "not-voiced", "quiet", "clock". "anything" is what has no cell of its own. To
stay in a phase is always allowed; a handler that leads anywhere else than its cell says is an error of this program
(`NotInTableError`). The diagram in docs/dialogue.md is drawn from this table.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from assistant.dialogue import (
    answers,
    asides,
    causes,
    emergencies,
    ending,
    opening,
    presence,
    readings,
    repairs,
    timers,
    timing,
    working_out,
)
from assistant.dialogue.context import Context, Handler, Turn
from assistant.dialogue.events import Event, Said
from assistant.dialogue.state import IN_EMERGENCY, Phase, Proposing, State
from assistant.dialogue.steps import presented
from assistant.language.meaning import Meaning, word_of


class NotInTableError(Exception):
    """The dialogue went from one phase to another in a way that its table does not have."""


@dataclass(frozen=True)
class Cell:
    """What a word does in a phase; without a handler it leads there, and what is waited for is said."""

    handler: Handler | None
    to: frozenset[Phase] = frozenset()  # besides the phase that it is said in


def _cell(handler: Handler | None, *to: Phase | frozenset[Phase]) -> Cell:
    return Cell(handler, frozenset(each for one in to for each in (one if isinstance(one, frozenset) else (one,))))


STEP = frozenset(
    {Phase.WARNING, Phase.ASKING, Phase.CONFIRMING, Phase.HOLDING, Phase.BARRED, Phase.DECIDING, Phase.EMERGENCY}
)
"""A step that is opened: its warnings, its question, a reading that was said ahead of it and needs a yes, or why it is
not opened. The last step opens the end, and a check may be an emergency."""

NO_ASIDES = IN_EMERGENCY | {Phase.CLOSED}
HELD = frozenset(Phase) - NO_ASIDES - {Phase.HOLDING}
"""Where "hold" may have been said, and "go on" leads back to."""
FREE = HELD - {Phase.REASON, Phase.NOTING, Phase.MISSED, Phase.REPAIR, Phase.REPAIRED, Phase.TELLING, Phase.FOLLOW_UP}
"""Where an aside may have been begun, since not all that is said is the answer."""

ALWAYS: dict[str, Cell] = {
    "opened": _cell(opening.opened, STEP),
    "voiced": _cell(asides.nothing),
    "not-voiced": _cell(opening.not_voiced),
    "quiet": _cell(presence.quiet),
    "clock": _cell(timers.clock),
    "emergency": _cell(emergencies.emergency_words, Phase.EMERGENCY),
    "stop": _cell(asides.stop, Phase.HOLDING),
}
"""What works even where all that is said is the answer."""

EVERYWHERE: dict[str, Cell] = {
    **ALWAYS,
    "hold": _cell(asides.hold, Phase.HOLDING),
    "say-again": _cell(asides.say_again),
    "how-far": _cell(asides.how_far),
    "limit": _cell(asides.limit),
    "last-reading": _cell(asides.last_reading),
    "what-next": _cell(None),
    "help": _cell(asides.help_),
    "note": _cell(asides.note, Phase.NOTING),
    "correction": _cell(readings.corrected, STEP),
    "unclear": _cell(answers.not_understood, Phase.PROPOSING),
    "work-out": _cell(working_out.work_out, Phase.WORKING, FREE),
    "clock-meter": _cell(working_out.clock_the_meter, Phase.WORKING, FREE),
    "symptom": _cell(causes.symptom),
    "probable-cause": _cell(causes.probable_cause),
    "next-measurement": _cell(causes.next_measurement),
    "timer": _cell(timers.start),
    "how-long": _cell(timers.how_long),
    "timer-off": _cell(timers.off),
    "stopwatch": _cell(timers.stopwatch),
    **dict.fromkeys(presence.SETTINGS, _cell(presence.set_voice)),
    **dict.fromkeys(("talk-less", "talk-more"), _cell(presence.set_talk)),
    "anything": _cell(asides.not_here),
}
"""What works in every phase that does not say otherwise."""


def _meant(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Yes to a command that was nearly said: it is done where it was said."""
    proposed = state.of(Proposing)
    event = replace(event, heard=replace(event.heard, text=proposed.words))
    return dispatch(dialogue, replace(state, at=proposed.back), proposed.command.name, event, proposed.command)


def _instead(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Neither yes nor no to a command that was nearly said: it is let go, and what was said counts where it was."""
    state = replace(state, at=state.of(Proposing).back)
    meaning = dialogue.meaning(state, event)
    return dispatch(dialogue, state, word_of(meaning), event, meaning)


_BESIDE = {word: EVERYWHERE[word] for word in ("hold", "say-again", "help")}
"""What is never the answer where all else is."""

_ANSWERED = _cell(answers.yes_no, STEP)
_REPAIR = _cell(repairs.repair, Phase.REPAIR, Phase.REPAIRED)
_SKIP = _cell(asides.skip, Phase.REASON, STEP)
_GO_BACK = _cell(asides.go_back, STEP)
_NOT_SKIPPED = _cell(asides.not_skipped, STEP)
_NONE_MADE = _cell(repairs.none_made, STEP)
_STAY_OUT = _cell(emergencies.stay_out)
_NOT_CLEAR = _cell(None, Phase.EMERGENCY)

TABLE: dict[Phase, dict[str, Cell]] = {
    Phase.WARNING: {
        "voiced": _cell(opening.hazards_voiced, STEP),
        "not-voiced": _cell(opening.not_warned, Phase.HOLDING),
        "understood": _cell(answers.understood, STEP),
        "go-back": _GO_BACK,
        "skip": _SKIP,
        "helper": _cell(asides.helper),
        "repair-made": _REPAIR,
    },
    Phase.ASKING: {
        "reading": _cell(readings.heard_reading, STEP),
        "readings": _cell(readings.heard_readings, STEP),
        "yes": _ANSWERED,
        "no": _ANSWERED,
        "next": _cell(timing.next_or_over, Phase.MISSED, Phase.TIMED, STEP),
        "all-good": _cell(answers.all_good, STEP),
        "go-back": _GO_BACK,
        "skip": _SKIP,
        "mark": _cell(timing.mark, Phase.MISSED, Phase.TIMED, STEP),
        "repair-made": _REPAIR,
        "helper": _cell(asides.helper),
    },
    Phase.CONFIRMING: {
        "yes": _cell(answers.confirmed, STEP),
        "no": _cell(answers.refused, Phase.ASKING),
        "correction": _cell(answers.refused, Phase.ASKING),
        "skip": _SKIP,
    },
    Phase.PROPOSING: {
        "yes": _cell(_meant, FREE, STEP, Phase.NOTING, Phase.REASON, Phase.REPAIR),
        "no": _cell(answers.not_meant, FREE),
        "correction": _cell(answers.not_meant, FREE),
        "anything": _cell(_instead, HELD, STEP),
    },
    Phase.REASON: {
        "no": _NOT_SKIPPED,
        "go-back": _NOT_SKIPPED,
        "correction": _NOT_SKIPPED,
        **_BESIDE,
        "how-far": EVERYWHERE["how-far"],
        "anything": _cell(asides.reason, STEP),
    },
    Phase.NOTING: {
        "no": _cell(asides.no_note, FREE, Phase.HOLDING),
        "anything": _cell(asides.noted, FREE, Phase.HOLDING),
    },
    Phase.HOLDING: {
        "go-on": _cell(asides.go_on, HELD, STEP),
        **_BESIDE,
        **{word: EVERYWHERE[word] for word in ("note", "how-far", "stopwatch", "timer", "how-long", "timer-off")},
        "anything": EVERYWHERE["hold"],
    },
    Phase.BARRED: {"repair-made": _REPAIR, "shut-down": _cell(repairs.shut_down, STEP)},
    Phase.EMERGENCY: {
        "area-clear": _cell(emergencies.area_clear, Phase.CLEARING),
        "stop": _STAY_OUT,
        "anything": _STAY_OUT,
    },
    Phase.CLEARING: {"stop": _STAY_OUT, "anything": _cell(emergencies.named, Phase.CLEARED)},
    Phase.CLEARED: {"yes": _cell(emergencies.cleared, STEP), "stop": _STAY_OUT, "anything": _NOT_CLEAR},
    Phase.MISSED: {
        **_BESIDE,
        "anything": _cell(timing.missed, Phase.TIMED, STEP),
    },
    Phase.TIMED: {"yes": _cell(timing.times_confirmed, STEP), "no": _cell(timing.times_refused, Phase.ASKING)},
    Phase.REPAIR: {
        "no": _NONE_MADE,
        "go-back": _NONE_MADE,
        "correction": _NONE_MADE,
        **_BESIDE,
        "anything": _cell(repairs.named, Phase.REPAIRED),
    },
    Phase.REPAIRED: {
        "yes": _cell(repairs.made, STEP),
        "no": _cell(repairs.another, STEP),
        **_BESIDE,
        "anything": _cell(answers.yes_or_no),
    },
    Phase.WORKING: {
        "reading": _cell(working_out.heard_input, FREE),
        "yes": _cell(working_out.yes_no, FREE),
        "no": _cell(working_out.yes_no, FREE),
        "mark": _cell(working_out.mark, FREE),
        "correction": _cell(working_out.corrected, FREE),
        "skip": _cell(working_out.given_up, FREE),
        "go-back": _cell(working_out.given_up, FREE),
    },
    Phase.DECIDING: {
        "yes": _cell(ending.decided, Phase.TELLING),
        "no": _cell(ending.decided, Phase.SHUTTING),
    },
    Phase.SHUTTING: {
        "not-voiced": _cell(opening.not_warned, Phase.HOLDING),
        "understood": _cell(ending.understood, Phase.SHUT),
        **dict.fromkeys(("next", "yes", "no"), _cell(None)),
    },
    Phase.SHUT: {
        "next": _cell(None, Phase.PROVING),
        **dict.fromkeys(("understood", "yes", "no"), _cell(None)),
    },
    Phase.PROVING: {
        "yes": _cell(ending.proved, Phase.TELLING),
        "no": _cell(None, Phase.SHUT),
        **dict.fromkeys(("understood", "next"), _cell(None)),
    },
    Phase.TELLING: {
        **_BESIDE,
        "anything": _cell(ending.told, Phase.FOLLOW_UP, Phase.CLOSED),
    },
    Phase.FOLLOW_UP: {
        **_BESIDE,
        "anything": _cell(ending.follow_up, Phase.CLOSED),
    },
    Phase.CLOSED: {
        **dict.fromkeys(("opened", "quiet", "stop", "anything"), _cell(asides.nothing)),
    },
}
"""Phase -> word -> what it does."""


def cell(phase: Phase, word: str) -> Cell:
    """What a word does in a phase: what the phase has for it, then what always works, then "anything"."""
    here = TABLE[phase]
    first = ALWAYS if "anything" in here else EVERYWHERE
    return here.get(word) or first.get(word) or here.get("anything") or EVERYWHERE["anything"]


def dispatch(dialogue: Context, state: State, word: str, event: Event, meaning: Meaning) -> Turn:
    """Does what the table has for a word. Raises NotInTableError when that leads where its cell does not."""
    does = cell(state.phase, word)
    if does.handler is None:
        return presented(dialogue, replace(state, at=next(iter(does.to), state.at)))
    new, effects = does.handler(dialogue, state, event, meaning)
    if new.phase not in {state.phase, *does.to}:
        raise NotInTableError(f"{word!r} in {state.phase.name} leads to {new.phase.name}")
    return new, effects
