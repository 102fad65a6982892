"""The dialogue of a visit: an event and a state in, a new state and effects out. Pure.

What a word or an event does in each phase is in `table.py`; the handlers that it names are in the modules beside it.
Effects are done in order, and every `Note` is committed before the next `Say` is voiced.

`Phase` says what each phase waits for, and each of those modules tells its own part of a visit at its head.
"""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue import gate, timers
from assistant.dialogue.context import Context, Turn
from assistant.dialogue.effects import says_of
from assistant.dialogue.events import Clock, Event, Opened, Quiet, Said, Voiced
from assistant.dialogue.state import Phase, State, handed
from assistant.dialogue.steps import barred
from assistant.dialogue.table import dispatch
from assistant.language.meaning import Meaning, Unclear, word_of

NOTHING_SAID: Meaning = Unclear("silence")


class Dialogue(Context):
    """The dialogue of one visit."""

    def start(self) -> State:
        """The state before anything has happened."""
        return State(step=self.rules.procedure.steps[0].id)

    def over(self, state: State) -> bool:
        """Whether the visit is closed."""
        return state.phase is Phase.CLOSED

    def due_s(self, state: State) -> float | None:
        """When a timer has something to tell, on the stream's clock; None where none has."""
        return timers.due_s(self, state)

    def grown(self, state: State, text: str) -> bool | None:
        """Whether a text is an answer that can grow (True), that cannot (False), or none yet (None)."""
        return self.language.can_grow(text, self.question(state))

    def step(self, state: State, event: Event) -> Turn:
        """What `event` makes of `state`, and what is to be done."""
        meaning = NOTHING_SAID
        match event:
            case Said():
                state = replace(state, silences=0, now_s=event.at_s)
                heard = self.language.weighed(event.heard, self.question(state), state.hand.refused)
                event = replace(event, heard=heard)
                meaning = self.meaning(state, event)
                word = word_of(meaning)
            case Clock():
                state, word = replace(state, now_s=event.at_s), "clock"
            case Voiced():
                word = "voiced" if event.complete else "not-voiced"
            case Opened():
                word = "opened"
            case Quiet():
                word = "quiet"
        new, effects = dispatch(self, state, word, event, meaning)
        # What was worked out aside, or corrected, can forbid the burner to run on as well as a reading can.
        if new.phase in (Phase.ASKING, Phase.WARNING) and new.facts != state.facts:
            bar = gate.must_stop(self.rules, new)
            if bar:
                new, more = barred(self, handed(new, asked=False), bar)
                effects = [*effects, *more]
        said = tuple(says_of(effects))
        # "Say again" means what was said before a timer told something.
        return (replace(new, said=said) if said and word != "clock" else new), effects
