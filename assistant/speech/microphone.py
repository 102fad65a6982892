"""Listening to a microphone, for a half-duplex assistant: open it, take blocks, drop what came meanwhile."""

from __future__ import annotations

import queue
import time
from contextlib import suppress
from typing import Any, Self

import numpy as np
import soxr

from assistant.errors import Problem
from assistant.speech.audio import Samples, to_int16
from assistant.speech.devices import FIRST_BLOCK_S, WATCHDOG_S, Device, MicrophoneLost

_BLOCK_S = 0.02
# Ten seconds: longer than the assistant ever speaks at a stretch.
_QUEUED_BLOCKS = 500
_OTHERWISE = ", or give recordings with --from-audio"


class Captured:
    """Sound that was captured and not taken yet, as a source. `overflows` counts the gaps in it so far: what was
    dropped on the way because nobody took it in time.
    """

    def __init__(self, device_name: str, rate_hz: int, watchdog_s: float = WATCHDOG_S) -> None:
        self.device_name = device_name
        self.rate_hz = rate_hz
        self.overflows = 0
        self._watchdog_s = watchdog_s
        self._queue: queue.Queue[Samples] = queue.Queue(_QUEUED_BLOCKS)
        self._fault: Exception | None = None
        self._last_block = 0.0  # on the monotonic clock

    def _captures_at(self, device_rate_hz: int) -> None:
        self.device_rate_hz = device_rate_hz
        # In floating point, as in `resample`.
        self._resampler = soxr.ResampleStream(device_rate_hz, self.rate_hz, 1, dtype="float32")

    def _empty(self) -> int:
        """Lets go of what was captured; how many samples of the device that was."""
        dropped = 0
        with suppress(queue.Empty):
            while True:
                dropped += len(self._queue.get_nowait())
        return dropped

    @property
    def route(self) -> dict[str, Any]:
        """Which microphone this is, for the record."""
        return {"microphone": self.device_name, "rate_hz": self.device_rate_hz}

    @property
    def is_narrow(self) -> bool:
        """Whether it gives less than the recognizer was trained on, as a telephone headset does (SPEECH S6)."""
        return self.device_rate_hz < self.rate_hz

    def take(self, timeout_s: float) -> Samples | None:
        """The next of what is heard, int16 of shape (n,) at `rate_hz`, about 20 ms; None where nothing came in time.

        Raises MicrophoneLost where no sound came for `watchdog_s`.
        """
        if self._fault:
            raise self._lost(f"failed ({self._fault})") from self._fault
        try:
            block = self._queue.get(timeout=timeout_s) if timeout_s else self._queue.get_nowait()
        except queue.Empty:
            if time.monotonic() - self._last_block > self._watchdog_s:
                raise self._lost(f"gave no sound for {self._watchdog_s:g} s") from None
            return None
        resampled = to_int16(self._resampler.resample_chunk(block.astype(np.float32)))
        return resampled if len(resampled) else None  # the filter works in steps of its own

    @property
    def waiting_s(self) -> float:
        """Seconds of sound that were heard and not taken yet."""
        return sum(len(block) for block in list(self._queue.queue)) / self.device_rate_hz

    def discard(self) -> int:
        """Drop what was heard but not taken yet: the assistant's own voice, after it has spoken.

        Returns how many samples at `rate_hz` that was, so that the clock of the stream goes on.
        """
        dropped = self._empty()
        # What the filter holds back (21 ms at 48 kHz) was heard too, and goes with the rest.
        held_back: float = self._resampler.delay()
        self._resampler.clear()
        return round(dropped * self.rate_hz / self.device_rate_hz + held_back)

    def put(self, block: Samples) -> None:
        """Captures a block, from any thread; where nobody took what came before, it is lost."""
        self._last_block = time.monotonic()
        try:
            self._queue.put_nowait(block)
        except queue.Full:
            self.overflows += 1

    def _lost(self, what: str) -> MicrophoneLost:
        return MicrophoneLost(f"The microphone {self.device_name!r} {what}; plug it in or choose another.")


class Microphone(Captured):
    """A microphone (its name, its number, or None for the system's own choice), open inside `with`.

    `route` is for the record. Raises Problem where there is no such device or no sound library, and on entry where it
    cannot be opened. `sounddevice` is the library, for tests.
    """

    def __init__(
        self,
        device: str | int | None = None,
        rate_hz: int = 16_000,
        *,
        watchdog_s: float = WATCHDOG_S,
        sounddevice: Any = None,
    ) -> None:
        self._device = Device(device, "input", _OTHERWISE, sounddevice)
        super().__init__(self._device.name, rate_hz, watchdog_s)
        self._captures_at(self._device.rate_hz)
        self._stream: Any = None

    @property
    def route(self) -> dict[str, Any]:
        """Which microphone this is, with its latency in seconds."""
        return {**super().route, "latency_s": self._stream.latency if self._stream else None}

    def reopen(self) -> None:
        """Opens it again after it was lost. Raises Problem while it is not there."""
        self.close()
        self._device.look()
        self._captures_at(self._device.rate_hz)
        self._empty()
        self._fault = None
        self.__enter__()

    def __enter__(self) -> Self:
        self._last_block = time.monotonic() + FIRST_BLOCK_S
        try:
            self._stream = self._device.library.InputStream(
                device=self._device.index,
                samplerate=self.device_rate_hz,
                blocksize=round(self.device_rate_hz * _BLOCK_S),
                channels=1,
                dtype="int16",
                latency="high",
                callback=self._hear,
            )
            self._stream.start()
        except (ValueError, self._device.library.PortAudioError) as error:
            self.close()
            raise Problem(
                f"The microphone {self.device_name!r} could not be opened ({error}); "
                f"end the program that uses it{_OTHERWISE}."
            ) from error
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Ends the stream."""
        if self._stream is not None:
            # Not stop(): that waits for a device which may never come back.
            self._stream.abort(ignore_errors=True)
            self._stream.close(ignore_errors=True)
            self._stream = None

    def _hear(self, sound: Samples, _frames: int, _time: object, status: Any) -> None:
        # Runs in the device's own thread, where an exception would only be printed.
        try:
            self.overflows += bool(status.input_overflow)
            self.put(sound[:, 0].copy())
        except Exception as fault:
            self._fault = fault
