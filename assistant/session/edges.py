"""Where a dialogue meets the world: what hears, what speaks, the devices, the screen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from assistant.dialogue.effects import Effect
from assistant.dialogue.events import Event
from assistant.speech.ears import Ears
from assistant.speech.player import Player
from assistant.speech.route import Route
from assistant.speech.voice import Voice

QUIET_S = 30.0  # nobody spoke: the assistant says what it waits for


@dataclass(frozen=True)
class Edges:
    """Where a dialogue meets the world."""

    ears: Ears
    voice: Voice
    player: Player
    show: Callable[[Event, Sequence[Effect]], None]  # told of every turn, after it is committed
    quiet_s: float = QUIET_S  # of silence, after which the dialogue is told
    route: Route | None = None  # for getting a lost device back; without it a lost one ends the run
    can_interrupt: bool = False  # people may speak between two sentences (people in a recording wait)
    headset: bool = False  # the voice does not come back: stop and the emergency words cut it off
    # Waits before what could not be written is tried again; without it nobody is there to make room, and it gives up.
    sleep: Callable[[float], None] | None = None
    signals: bool = True  # short sounds go with the words, where there are devices
    speaking: Callable[[str], None] = lambda _: None  # told of every text that begins to be played
