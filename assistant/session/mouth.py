"""The assistant's voice at work: the one way to speak, for a visit and for what comes before it.

On a headset people are heard meanwhile. Stop and the emergency words cut the voice off, whatever it was saying, and
are kept here until they were acted on: whoever speaks cannot let them go by not looking at what came back.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from assistant.dialogue.effects import Say
from assistant.language.meaning import Question
from assistant.session.edges import Edges
from assistant.session.expecting import Expecting
from assistant.speech.audio import Audio
from assistant.speech.devices import MicrophoneLost
from assistant.speech.ears import Utterance
from assistant.speech.player import Played, PlayerError
from assistant.speech.voice import VoiceError
from assistant.wording import english as wording

BETWEEN = Question("between")
"""What is listened for while the assistant speaks into a headset, and between two sentences of it."""

LOOK_S = 1.0  # between two looks for a device that was lost
STOP_AGAIN_S = 0.02  # a sound that had not begun when it was cut off is stopped once it has

T = TypeVar("T")


@dataclass(frozen=True)
class Interruption:
    """Somebody said stop or an emergency word."""

    utterance: Utterance
    over: str = ""  # what the assistant was saying, which it cut off; empty where it did not speak
    cut_at_s: float = 0.0  # when that was known, on the stream's clock


class Mouth:
    """Plays the voice. On a headset people are heard meanwhile; what neither stops nor is an emergency is `passed`, and
    lost. sound: renders a text, as loud as it is to be; raises VoiceError.
    """

    def __init__(
        self,
        edges: Edges,
        expecting: Expecting,
        sound: Callable[[Say], Audio],
        passed: Callable[[Utterance], None],
    ) -> None:
        self.heard: deque[Interruption] = deque()
        """Who cut in, in order; each is an event that is still to be acted on."""
        self._ears, self._player, self._route = edges.ears, edges.player, edges.route
        self._headset, self._speaking = edges.headset, edges.speaking
        self._expecting, self._sound, self._passed = expecting, sound, passed
        expecting.prepare(BETWEEN)  # first of all: a stop is not to wait for the phrases of a question

    def play(self, text: str, sound: Audio) -> Played:
        """Plays a text's sound to its end, or until somebody cuts in. Raises PlayerError, MicrophoneLost."""
        return self._hearing(text, partial(self._player.play, sound))

    def tell(self, says: Sequence[Say]) -> bool:
        """Says what no entry of the record waits for, on whatever loudspeaker is left, as far as there is a voice.

        Whether nobody cut in; who did cut the rest of it off too.
        """
        for say in says:
            before = len(self.heard)
            with suppress(VoiceError, PlayerError, MicrophoneLost):
                sound = self._sound(say)
                if self._route:
                    self._hearing(say.text, partial(self._route.tell, sound))
                else:
                    self.play(say.text, sound)
            if len(self.heard) > before:
                return False
        return True

    def wait_for_devices(self) -> float | None:
        """Says that a device is gone, and holds until all are there again; for how many seconds.

        None, without waiting, where somebody cut in: that comes first, and the next sentence shows whether the device
        is still gone.
        """
        assert self._route
        since = time.monotonic()
        # At full loudness, as an alarm: nobody knows which loudspeaker is left.
        if not self.tell([Say(text, "alarm") for text in wording.DEVICE_LOST]):
            return None
        while not self._route.recover():
            time.sleep(LOOK_S)
        gone_s = time.monotonic() - since
        self._ears.restart(gone_s)
        return gone_s

    def _hearing(self, text: str, speak: Callable[[], T]) -> T:
        """Speaks; on a headset whoever cuts in is kept, whatever becomes of the voice and of the microphone."""
        self._speaking(text)
        if not self._headset:
            self._ears.spoke()
            return speak()
        cut_at_s = 0.0

        def cut() -> None:
            nonlocal cut_at_s
            self._player.stop()
            cut_at_s = self._ears.now_s

        # The voice gets a thread of its own: what hears has one owner, and stays with this one.
        with ThreadPoolExecutor(1) as beside:
            speaking = beside.submit(speak)
            try:
                by = self._ears.overhear(
                    self._expecting[BETWEEN],
                    lambda text: bool(self._expecting.language.urgent(text)),
                    speaking.done,
                    cut,
                    self._passed,
                )
            except KeyboardInterrupt:
                self._player.stop()
                raise
            if by:
                self.heard.append(Interruption(by, text, round(cut_at_s, 3)))
                while not speaking.done():
                    self._player.stop()
                    wait([speaking], STOP_AGAIN_S)
            return speaking.result()
