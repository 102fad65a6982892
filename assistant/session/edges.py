"""Where a dialogue meets the world: what hears, what speaks, the devices, the screen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from assistant.dialogue.effects import Effect
from assistant.dialogue.events import Event
from assistant.speech.ears import Ears
from assistant.speech.player import Player
from assistant.speech.route import SoundRoute
from assistant.speech.voice import Voice

QUIET_S = 30.0  # nobody spoke: the assistant says what it waits for


@dataclass(frozen=True)
class Edges:
    """Where a dialogue meets the world."""

    ears: Ears
    voice: Voice
    player: Player
    show: Callable[[Event, Sequence[Effect]], None]
    """Told of every turn, after it is committed."""
    quiet_s: float = QUIET_S
    """Of silence, after which the dialogue is told."""
    route: SoundRoute | None = None
    """The devices, for getting a lost one back; without it a lost one ends the run."""
    can_interrupt: bool = False
    """People may speak between two sentences (a microphone; people in a recording wait)."""
    headset: bool = False
    """The voice does not come back: stop and the emergency words are heard while it speaks, and cut it off."""
    sleep: Callable[[float], None] | None = None
    """Waits before what could not be written is tried again; None gives up at once, for nobody can make room."""
    signals: bool = True
    """Whether short sounds go with the words, where there are devices."""
    speaking: Callable[[str], None] = lambda _: None
    """Told of every text that begins to be played."""
