"""A clock, a voice and a loudspeaker that do what a test tells them."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable
from datetime import datetime, timedelta
from typing import ClassVar, Literal

import numpy as np

from assistant.speech.audio import FULL_SCALE, Audio
from assistant.speech.player import Played, PlayerError
from assistant.speech.voice import VoiceError


class TestClock:
    """A clock that stands still until told to `advance`."""

    __test__: ClassVar[bool] = False  # not a test case, whatever its name suggests to a collector

    def __init__(self, utc: str = "2026-01-05T09:00:00.000Z", monotonic_s: float = 0.0) -> None:
        self._utc = datetime.fromisoformat(utc)
        self._monotonic_s = monotonic_s

    def __call__(self) -> tuple[str, float]:
        """The scripted clocks, as a record asks for them."""
        return self._utc.isoformat(timespec="milliseconds").replace("+00:00", "Z"), self._monotonic_s

    def advance(self, seconds: float) -> None:
        """Move both clocks on."""
        self._utc += timedelta(seconds=seconds)
        self._monotonic_s += seconds


class ScriptedPlayer:
    """Keeps what it was given in `played` and follows `script`, one word a sound, then "complete".

    "complete": played at once; "short": half of it is, as if it was stopped; "lost": PlayerError.
    """

    def __init__(self, script: Iterable[Literal["complete", "short", "lost"]] = ()) -> None:
        self.played: list[Audio] = []
        self.stops = 0
        self._script = deque(script)

    def play(self, audio: Audio) -> Played:
        """Follow the script."""
        todo = self._script.popleft() if self._script else "complete"
        if todo == "lost":
            raise PlayerError("The sound device was lost, as the script says.")
        self.played.append(audio)
        total = len(audio.samples)
        return Played(total // 2 if todo == "short" else total, total, audio.rate_hz)

    def stop(self) -> None:
        """Count the call."""
        self.stops += 1


class ScriptedVoice:
    """A tone of 0.06 s a character, or VoiceError for the texts in `failing`."""

    def __init__(self, failing: Collection[str] = (), rate_hz: int = 22_050) -> None:
        self.rendered: list[str] = []
        self._failing = failing
        self._rate_hz = rate_hz

    def render(self, text: str, rate_wpm: int = 165) -> Audio:
        """Return a tone at 440 Hz, 0.3 of full scale."""
        if text in self._failing or not text:
            raise VoiceError(f'The voice could not say "{text}": it was told to fail.')
        self.rendered.append(text)
        moments = np.arange(round(0.06 * len(text) * self._rate_hz)) / self._rate_hz
        return Audio((0.3 * FULL_SCALE * np.sin(2 * np.pi * 440 * moments)).astype(np.int16), self._rate_hz)
