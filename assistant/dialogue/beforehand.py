"""What comes before a visit, as one dialogue: waiting for the spoken start, then the set-up by voice. Pure.

While it waits nothing counts but the start words and an emergency. After some silences in a row the set-up waits for
the start words too, and then asks on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from assistant.dialogue.context import alarm
from assistant.dialogue.effects import Effect, Note, Say, says_of
from assistant.dialogue.events import Event, Opened, Quiet, Said
from assistant.dialogue.setting_up import SET_UP, SettingUp, SetUp
from assistant.dialogue.state import Phase
from assistant.language.meaning import Named, Question
from assistant.language.utterance import Language
from assistant.wording import english as wording

START = Question("start")
CALLS = 3  # silences in a row after which the set-up waits for the start words instead of asking on


@dataclass(frozen=True)
class Beforehand:
    """Before the visit, at one moment."""

    waits: bool  # for the start words
    asks: SettingUp | None = None  # the set-up; None where everything is known
    silences: int = 0  # in a row
    said: tuple[Say, ...] = ()  # what is waited for, to be said again
    volume: int = 0  # this and the next two are as the loop wants them, and stay so
    speed: int = 0
    counts_marks: bool = False


@dataclass(frozen=True)
class Before:
    """The dialogue before a visit. set_up: asks for what is not known."""

    language: Language
    set_up: SetUp

    def question(self, state: Beforehand) -> Question:
        """The start words, or what the set-up asks."""
        return START if state.waits or state.asks is None else self.set_up.question(state.asks)

    def grown(self, state: Beforehand, text: str) -> bool | None:
        """Whether a text is an answer that can grow."""
        if state.waits or state.asks is None:
            return self.language.can_grow(text, START)
        return self.set_up.grown(state.asks, text)

    def due_s(self, state: Beforehand) -> None:
        """Nothing is told by itself."""

    def over(self, state: Beforehand) -> bool:
        """Whether the visit begins."""
        return not state.waits and (state.asks is None or state.asks.phase is Phase.CLOSED)

    def step(self, state: Beforehand, event: Event) -> tuple[Beforehand, list[Effect]]:
        """What an event makes of the state."""
        new, effects = self._step(state, event)
        return replace(new, said=tuple(says_of(self._asks(new)))), effects

    def _step(self, state: Beforehand, event: Event) -> tuple[Beforehand, list[Effect]]:
        match event:
            case Opened():
                return state, self._asks(state, opening=True)
            case Said() if state.waits:
                meaning = self.language.understand(event.heard.text, START)
                if isinstance(meaning, Named):
                    new = replace(state, waits=False, silences=0)
                    return new, self._asks(new, opening=not state.silences)
                if kind := self.language.emergency(event.heard.text):
                    note = Note("set-up", {"asked": START.name, "decided": "emergency"})
                    return state, [note, *alarm(event.heard.text, SET_UP, kind), Say(wording.WAITS)]
            case Said() if state.asks:
                asks, effects = self.set_up.step(state.asks, event)
                return replace(state, asks=asks, silences=0), effects
            case Quiet() if state.asks and not state.waits:
                silences = state.silences + 1
                waits = silences == CALLS and state.asks.phase is not Phase.EMERGENCY
                new = replace(state, silences=silences, waits=waits)
                return new, self._asks(new)
        return state, []

    def _asks(self, state: Beforehand, opening: bool = False) -> list[Effect]:
        """Says what is waited for. opening: the set-up's first words."""
        if state.waits:
            return [Say(wording.WAITS)]
        if state.asks is None:
            return []
        return self.set_up.opening(state.asks) if opening else self.set_up.present(state.asks)
