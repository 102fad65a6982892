"""Playing the assistant's voice, and knowing how much of it was really played.

A hazard counts as spoken only if its sound was consumed to the end; a device that stops taking sound raises
no error of its own, so a watchdog looks at what was consumed.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from assistant.speech.audio import Audio, Samples, VisitTrack, resample
from assistant.speech.devices import FIRST_BLOCK_S, WATCHDOG_S, Device, watch

_BLOCK_S = 0.02
# What the device holds of the sound: the first of a sentence is heard so much later, and so is a stop. Over the
# virtual card 0.03 s ran dry; the system's own "low" gave blocks of 2 ms, which stalled.
_LATENCY_S = 0.06
# Silence played after a sound: what the device still holds when the stream ends is never heard (over the virtual card
# 0.087 s were lost, more than a short signal is long).
_SILENCE_S = 0.1


class PlayerError(Exception):
    """The sound was not played to its end because the device failed; the message is one sentence."""


@dataclass(frozen=True)
class Played:
    """How much was played: samples at `rate_hz`, the rate at which it was played."""

    played_samples: int
    total_samples: int
    rate_hz: int

    @property
    def complete(self) -> bool:
        """Whether all of it was played."""
        return self.played_samples == self.total_samples

    @property
    def seconds(self) -> float:
        """How long it was played, in seconds."""
        return self.played_samples / self.rate_hz


class Player(Protocol):
    """Whatever plays sound."""

    def play(self, audio: Audio) -> Played:
        """Play and return when it is over or was stopped. Raises PlayerError where the device is lost."""
        ...

    def stop(self) -> None:
        """End what is being played, from any thread; without effect where nothing is."""
        ...


class TrackPlayer:
    """Plays into the track of a visit, at once and always to the end."""

    def __init__(self, track: VisitTrack) -> None:
        self._track = track

    def play(self, audio: Audio) -> Played:
        """Append the sound to the assistant's side of the track, at the track's rate."""
        samples = resample(audio, self._track.rate_hz).samples
        self._track.add("assistant", samples)
        return Played(len(samples), len(samples), self._track.rate_hz)

    def stop(self) -> None:
        """Do nothing: what is played is over at once."""


class DevicePlayer:
    """Plays on a sound device (its name, its number, or None for the system's own choice) at its own rate.

    Raises Problem where there is no such device or no sound library. `sounddevice` is the library, for tests.
    """

    def __init__(
        self, device: str | int | None = None, *, watchdog_s: float = WATCHDOG_S, sounddevice: Any = None
    ) -> None:
        self._device = Device(device, "output", ", or choose one that is there", sounddevice)
        self._watchdog_s = watchdog_s
        self._playing: _Playing | None = None
        self._first = True

    def look(self) -> None:
        """Finds the device again after it was lost. Raises Problem while it is not there."""
        self._device.look()
        self._first = True

    @property
    def route(self) -> dict[str, Any]:
        """Which loudspeaker this is, for the record: its name, rate and the latency asked for, in seconds."""
        return {"loudspeaker": self._device.name, "rate_hz": self._device.rate_hz, "latency_s": _LATENCY_S}

    def play(self, audio: Audio) -> Played:
        """Play the sound and return when the device has played it, or at once after `stop`.

        Played counts what the device took; of a stopped sound the last of it, as long as the device's
        latency, may not have been heard. Raises PlayerError where the device cannot be opened or takes
        nothing for 1.5 s, of the first sound 3.5 s.
        """
        library, rate_hz = self._device.library, self._device.rate_hz
        playing = _Playing(library, resample(audio, rate_hz).samples, round(_SILENCE_S * rate_hz))
        self._playing = playing
        try:
            stream = library.OutputStream(
                device=self._device.index,
                samplerate=rate_hz,
                blocksize=round(rate_hz * _BLOCK_S),
                channels=min(2, self._device.channels),  # many devices take two only
                dtype="int16",
                latency=_LATENCY_S,
                callback=playing.fill,
                finished_callback=playing.over.set,
            )
        except (ValueError, library.PortAudioError) as error:
            raise self._lost(f"could not be opened ({error})") from error
        try:
            stream.start()
            first_s, self._first = FIRST_BLOCK_S if self._first else 0.0, False  # a sound server, or a sleeping headset
            if not watch(playing.over, lambda: playing.taken, _BLOCK_S, self._watchdog_s, first_s):
                raise self._lost(f"took no sound for {self._watchdog_s:g} s")
        except library.PortAudioError as error:
            raise self._lost(f"failed ({error})") from error
        finally:
            # Not stop(): that waits for a device which may never come back.
            stream.abort(ignore_errors=True)
            stream.close(ignore_errors=True)
        if playing.fault:
            raise self._lost(f"failed ({playing.fault})") from playing.fault
        played = Played(playing.done, len(playing.samples), rate_hz)
        if not (played.complete or playing.stopped):
            raise self._lost("ended before the sound did")
        return played

    def stop(self) -> None:
        """End what is being played, at once; without effect where nothing is."""
        if self._playing:
            self._playing.stopped = True
            self._playing.over.set()

    def _lost(self, what: str) -> PlayerError:
        return PlayerError(f"The sound device {self._device.name!r} {what}; plug it in or choose another.")


class _Playing:
    """One sound on its way to the device; `fill` runs in the device's own thread."""

    def __init__(self, library: Any, samples: Samples, silence: int) -> None:
        self.samples = samples
        self.silence = silence  # samples of it to be played after the sound
        self.taken = 0  # frames that the device took
        self.stopped = False
        self.over = threading.Event()
        self.fault: Exception | None = None
        self._library = library

    def fill(self, out: Samples, frames: int, *_: object) -> None:
        # An exception in here would only be printed, and the stream end as if all was well.
        stopped = self.stopped
        try:
            block = self.samples[self.taken : self.taken + (0 if stopped else frames)]
            out[: len(block)] = block[:, np.newaxis]
            out[len(block) :] = 0
            self.taken += 0 if stopped else frames
        except Exception as fault:
            self.fault = fault
        if self.fault or stopped:
            raise self._library.CallbackAbort
        if self.taken >= len(self.samples) + self.silence:
            raise self._library.CallbackStop

    @property
    def done(self) -> int:
        """Samples of the sound that the device took."""
        return min(self.taken, len(self.samples))
