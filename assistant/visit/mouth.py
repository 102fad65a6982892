"""The assistant's voice at work: played whole, or on a headset cut off by stop and the emergency words."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from assistant.language.meaning import Question
from assistant.speech.audio import Audio
from assistant.speech.ears import Ears, Utterance
from assistant.speech.player import Played, Player
from assistant.visit.expecting import Expecting

BETWEEN = Question("between")
"""What is listened for while the assistant speaks into a headset, and between two sentences of it."""


@dataclass(frozen=True)
class Voicing:
    """What became of a sound. cut_by: who said stop or an emergency word meanwhile, which cut it off, and cut_at_s:
    when that was known on the stream's clock."""

    played: Played
    cut_by: Utterance | None = None
    cut_at_s: float = 0.0


class Mouth:
    """Plays the voice. headset: it does not come back into the microphone, so that people are heard meanwhile; what
    neither stops nor is an emergency is `passed`, and lost."""

    def __init__(
        self,
        ears: Ears,
        player: Player,
        expecting: Expecting,
        headset: bool,
        passed: Callable[[Utterance], None],
    ) -> None:
        self._ears, self._player, self._expecting = ears, player, expecting
        self._headset, self._passed = headset, passed
        expecting.prepare(BETWEEN)  # first of all: a stop is not to wait for the phrases of a question

    def play(self, sound: Audio) -> Voicing:
        """Plays a sound to its end, or until it is cut off. Raises PlayerError, MicrophoneLost."""
        if not self._headset:
            self._ears.spoke()
            return Voicing(self._player.play(sound))
        cut_at_s = 0.0

        def cut() -> None:
            nonlocal cut_at_s
            self._player.stop()
            cut_at_s = self._ears.now_s

        # The voice gets a thread of its own: what hears has one owner, and stays with this one.
        with ThreadPoolExecutor(1) as beside:
            playing = beside.submit(self._player.play, sound)
            heard = self._ears.overhear(
                self._expecting[BETWEEN],
                lambda text: bool(self._expecting.language.urgent(text)),
                playing.done,
                cut,
                self._passed,
            )
            return Voicing(playing.result(), heard, round(cut_at_s, 3))
