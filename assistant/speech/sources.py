"""Recordings as a source of sound: people who wait for their turn."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from assistant.speech.audio import Samples, VisitTrack, read_audio, resample

BLOCK = 1600  # samples, 0.1 s at 16 kHz


class FileSource:
    """Audio files one after another, as blocks of int16 mono at `rate_hz`.

    The stream stands still while nobody listens, as people do who wait for the other to finish; so a recording
    fits any length of the assistant's answers. `from_s`: where in the whole stream to begin, in seconds. What
    is listened to is also laid on `track`, if given. Raises Problem for a file that is no sound.
    """

    def __init__(
        self,
        files: Sequence[Path],
        rate_hz: int = 16000,
        from_s: float = 0.0,
        track: VisitTrack | None = None,
    ) -> None:
        self.rate_hz = rate_hz
        self.overflows = 0
        self._track = track
        sounds = [resample(read_audio(file), rate_hz).samples for file in files]
        self._samples = np.concatenate(sounds)[round(from_s * rate_hz) :]

    def take(self, timeout_s: float) -> Samples:
        """The next block, at once. Raises EOFError at the end of the stream."""
        block = self._samples[:BLOCK]
        if not len(block):
            raise EOFError
        self._samples = self._samples[BLOCK:]
        if self._track:
            self._track.add("people", block)
        return block

    def discard(self) -> int:
        """Nothing is captured while nobody listens."""
        return 0
