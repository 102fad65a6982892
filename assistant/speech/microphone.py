"""Listening to a microphone, for a half-duplex assistant: open it, take blocks, drop what came meanwhile."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Iterator
from typing import Any, Self

import numpy as np
import soxr
from numpy.typing import NDArray

from assistant.errors import Problem
from assistant.speech.audio import to_int16
from assistant.speech.player import WATCHDOG_S, load_sounddevice

_BLOCK_S = 0.02
# Ten seconds: longer than the assistant ever speaks at a stretch.
_QUEUED_BLOCKS = 500
_OTHERWISE = ", or give recordings with --from-audio"


class MicrophoneLost(Exception):  # noqa: N818 - an event of the visit, which goes on once it is mended
    """The microphone gives no more sound; the message is one sentence."""


class Microphone:
    """A microphone (its name, its number, or None for the system's own choice), open inside `with`.

    `device_name` and `device_rate_hz` are for the record. `overflows` counts the gaps in the sound so far:
    what the device or this program dropped because nobody took it in time. Raises Problem where there is no
    such device or no sound library, and on entry where it cannot be opened. `sounddevice` is the library, for
    tests.
    """

    def __init__(
        self,
        device: str | int | None = None,
        rate_hz: int = 16_000,
        *,
        watchdog_s: float = WATCHDOG_S,
        sounddevice: Any = None,
    ) -> None:
        self._library = sounddevice or load_sounddevice(_OTHERWISE)
        self._device = device
        self._watchdog_s = watchdog_s
        try:
            found = self._library.query_devices(device, "input")
        except (ValueError, self._library.PortAudioError):
            wanted = "No microphone" if device is None else f"No microphone {device!r}"
            raise Problem(f"{wanted} was found; plug one in{_OTHERWISE}.") from None
        self.rate_hz = rate_hz
        self.device_name = str(found["name"])
        self.device_rate_hz: int = round(found["default_samplerate"])
        self.overflows = 0
        # In floating point, as in `resample`.
        self._resampler = soxr.ResampleStream(self.device_rate_hz, rate_hz, 1, dtype="float32")
        self._queue: queue.Queue[NDArray[np.int16]] = queue.Queue(_QUEUED_BLOCKS)
        self._fault: Exception | None = None
        self._closed = threading.Event()
        self._stream: Any = None

    def __enter__(self) -> Self:
        self._closed.clear()
        try:
            self._stream = self._library.InputStream(
                device=self._device,
                samplerate=self.device_rate_hz,
                blocksize=round(self.device_rate_hz * _BLOCK_S),
                channels=1,
                dtype="int16",
                latency="high",
                callback=self._hear,
            )
            self._stream.start()
        except (ValueError, self._library.PortAudioError) as error:
            self.__exit__()
            raise Problem(
                f"The microphone {self.device_name!r} could not be opened ({error}); "
                f"end the program that uses it{_OTHERWISE}."
            ) from error
        return self

    def __exit__(self, *_: object) -> None:
        self._closed.set()
        if self._stream is not None:
            # Not stop(): that waits for a device which may never come back.
            self._stream.abort(ignore_errors=True)
            self._stream.close(ignore_errors=True)
            self._stream = None

    def blocks(self) -> Iterator[NDArray[np.int16]]:
        """Yield what is heard, int16 of shape (n,) at `rate_hz`, about 20 ms each, until it is closed.

        Raises MicrophoneLost where no sound came for 2 s.
        """
        since = time.monotonic()
        while not self._closed.is_set():
            if self._fault:
                raise self._lost(f"failed ({self._fault})") from self._fault
            try:
                block = self._queue.get(timeout=_BLOCK_S)
            except queue.Empty:
                if time.monotonic() - since > self._watchdog_s:
                    raise self._lost(f"gave no sound for {self._watchdog_s:g} s") from None
                continue
            resampled = to_int16(self._resampler.resample_chunk(block.astype(np.float32)))
            if len(resampled):  # the filter works in steps of its own
                yield resampled
            since = time.monotonic()

    def discard(self) -> int:
        """Drop what was heard but not taken yet: the assistant's own voice, after it has spoken.

        Returns how many samples at `rate_hz` that was, so that the clock of the stream goes on.
        """
        dropped = 0
        while True:
            try:
                dropped += len(self._queue.get_nowait())
            except queue.Empty:
                break
        # What the filter holds back (21 ms at 48 kHz) was heard too, and goes with the rest.
        held_back: float = self._resampler.delay()
        self._resampler.clear()
        return round(dropped * self.rate_hz / self.device_rate_hz + held_back)

    def _hear(self, sound: NDArray[np.int16], _frames: int, _time: object, status: Any) -> None:
        # Runs in the device's own thread, where an exception would only be printed.
        try:
            if status.input_overflow:
                self.overflows += 1
            self._queue.put_nowait(sound[:, 0].copy())
        except queue.Full:
            self.overflows += 1
        except Exception as fault:
            self._fault = fault

    def _lost(self, what: str) -> MicrophoneLost:
        return MicrophoneLost(f"The microphone {self.device_name!r} {what}; plug it in or choose another.")
