"""One phone's line: who may take it, its sound both ways, and how it is lost and found again.

The socket is served by a thread of its own (`server.py`); the visit takes and plays sound in its own.
"""

from __future__ import annotations

import hmac
import itertools
import json
import secrets
import struct
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import Any, Literal

import numpy as np

from assistant.errors import Problem
from assistant.phone.clock import SampleClock
from assistant.speech.audio import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, Audio, resample
from assistant.speech.devices import WATCHDOG_S, MicrophoneLost, watch
from assistant.speech.microphone import Captured
from assistant.speech.player import Played, PlayerError
from assistant.speech.route import Route
from assistant.wording import phone as wording

Role = Literal["technician", "helper"]
Send = Callable[[str | bytes], None]

HEAD = struct.Struct("<dd")
"""Of a block: the number of its first sample, and the phone's time in seconds. Samples follow, int16."""
LONGEST_BLOCK_S = 0.1
PIECE_S = 0.1  # of a sound that is sent to be played: between two the other messages have their turn
AHEAD_S = 5.0
"""Seconds of sound that may come at once: what a network held back. More is no microphone's rate."""
HIGHEST_TRIP_S = 60.0  # a phone that says more is wrong
DRIFT_AGAIN_S = 600.0  # between two entries about the clock
CLIP = 0  # the sound that the phone keeps, to be played when it cannot hear the visit


class Refused(Exception):  # noqa: N818 - what is told to a phone that is not let in
    """A phone is not let in, or not any more; the message is one sentence, at most 123 bytes (RFC 6455, 5.5)."""


class Broken(Exception):  # noqa: N818 - the phone comes back by itself
    """What a phone sends makes no sense any more; a new socket begins anew. The message is as that of `Refused`."""


class PhoneMicrophone(Captured):
    """A phone's microphone. Lost with its socket, whatever comes after: `reopen` takes it up again."""

    def __init__(self, name: str, rate_hz: int) -> None:
        super().__init__(name, rate_hz)
        self._captures_at(rate_hz)
        self._fault = ConnectionError(wording.NOT_THERE)
        self.facts: dict[str, Any] = {}
        self.clock = SampleClock(rate_hz)
        self.attached = False
        self.heard_until = 0
        """The phone's sample at which the last of what it played was out."""
        self.missing_s: list[float] = []
        """The gaps in its sound, each in seconds."""

    @property
    def route(self) -> dict[str, Any]:
        """Which microphone this is, with what the phone says of itself."""
        return {**super().route, **self.facts}

    def attach(self, rate_hz: int, facts: dict[str, Any]) -> None:
        """The phone is there; what it gives from now on counts once it was taken up again."""
        self.facts = facts
        self._captures_at(rate_hz)
        self.clock, self.heard_until = SampleClock(rate_hz), 0
        self._last_block = time.monotonic()
        self.attached = True

    def detach(self, why: str) -> None:
        """The phone is gone."""
        self.attached = False
        self._fault = ConnectionError(why)

    def reopen(self) -> None:
        """Takes it up again after it was lost. Raises Problem while it is not there."""
        if not self.attached:
            raise Problem(wording.NOT_THERE)
        self._empty()
        self._fault = None
        self._resampler.clear()

    def receive(self, message: bytes) -> None:
        """A block, as it came. Raises Refused for what no phone of this rate sends, Broken for what does not follow."""
        samples = (len(message) - HEAD.size) // 2
        if len(message) % 2 or not 0 < samples <= LONGEST_BLOCK_S * self.device_rate_hz:
            raise Refused(wording.BLOCK_SIZE)
        first, phone_s = HEAD.unpack_from(message)
        now_s, clock = time.monotonic(), self.clock
        try:
            missing = clock.take(int(first), samples, phone_s, now_s)
        except (ValueError, OverflowError) as wrong:
            raise Broken(wording.BLOCK_ORDER.format(why=wrong)) from wrong
        assert clock.began_s is not None
        # What it is late or early by its rate. A microphone may stand still; none stands still half of the time.
        since_s = now_s - clock.began_s
        if clock.seconds > since_s + AHEAD_S or clock.stalled / clock.rate_hz > AHEAD_S + since_s / 2:
            raise Refused(wording.WRONG_RATE.format(rate=self.device_rate_hz))
        if missing:
            self.missing_s.append(round(missing / clock.rate_hz, 3))
            self.overflows += 1
            self.put(np.zeros(min(missing, round(AHEAD_S * clock.rate_hz)), np.int16))
        self.put(np.frombuffer(message, np.int16, offset=HEAD.size))

    def discard(self) -> int:
        """As `Captured.discard`: all up to the moment at which the phone had played the last sound, which may still be
        on its way here."""
        until_s = time.monotonic() + WATCHDOG_S
        while self.attached and self.clock.end < self.heard_until and time.monotonic() < until_s:
            time.sleep(0.005)
        return super().discard()

    def take(self, timeout_s: float) -> Any:
        """As `Captured.take`. That it was lost is told once; then it is taken up again as soon as it is there."""
        try:
            return super().take(timeout_s)
        except MicrophoneLost:
            if self._fault is None:  # it gives no sound: only a new socket helps
                self.detach(wording.NO_SOUND.format(seconds=self._watchdog_s))
            with suppress(Problem):
                self.reopen()
            raise

    @property
    def silent_s(self) -> float:
        """For how long no block came."""
        return time.monotonic() - self._last_block

    def _lost(self, what: str) -> MicrophoneLost:
        return MicrophoneLost(f"The {self.device_name} is lost ({self._fault or what}); open its page again.")


class _Sound:
    """One sound that the phone is to play. done: samples that it has played so far, as it says."""

    def __init__(self, samples: int) -> None:
        self.total = samples
        self.done = 0
        self.lost = ""
        self.over = threading.Event()


class PhonePlayer:
    """A phone's loudspeaker. What counts as played is what the phone says that it played."""

    def __init__(self, line: Line) -> None:
        self._line = line
        self._numbers = itertools.count(CLIP + 1)
        self._sounds: dict[int, _Sound] = {}

    def play(self, audio: Audio) -> Played:
        """Plays the sound; returns when the phone has played it, or was stopped. Raises PlayerError."""
        rate_hz = self._line.microphone.device_rate_hz
        samples = resample(audio, rate_hz).samples
        number, sound = next(self._numbers), _Sound(len(samples))
        self._sounds[number] = sound
        try:
            self._line.send(json.dumps({"play": number, "total": len(samples)}))
            step = round(PIECE_S * rate_hz)
            for at in range(0, len(samples), step):
                self._line.send(struct.pack("<I", number) + samples[at : at + step].tobytes())
            if not watch(sound.over, lambda: sound.done, 0.05, WATCHDOG_S + LONGEST_BLOCK_S):
                sound.lost = f"played no sound for {WATCHDOG_S:g} s"
        finally:
            del self._sounds[number]
        if sound.lost:
            raise PlayerError(f"The {self._line.microphone.device_name} {sound.lost}; open its page again.")
        return Played(sound.done, sound.total, rate_hz)

    def stop(self) -> None:
        """Ends what is being played."""
        if self._sounds:
            with suppress(PlayerError):
                self._line.send('{"stop": true}')

    def told(self, number: int, samples: int, over: bool) -> None:
        """What the phone says of a sound."""
        if sound := self._sounds.get(number):
            sound.done = max(sound.done, min(samples, sound.total))
            if over:
                sound.over.set()

    def detach(self, why: str) -> None:
        """The phone is gone: nothing of what waits will be played."""
        for sound in list(self._sounds.values()):
            sound.lost = why
            sound.over.set()


class Line:
    """What one phone is for the visit. The first phone that gives the code has the line; only it comes back."""

    def __init__(self, role: Role, rate_hz: int) -> None:
        self.role = role
        self.code: str | None = secrets.token_urlsafe(16)
        """What is in the QR code; None once it was given."""
        self.microphone = PhoneMicrophone(wording.PHONES[role], rate_hz)
        self.player = PhonePlayer(self)
        self.joined = threading.Event()
        """Set while a phone is there."""
        self.round_trips_s: deque[float] = deque(maxlen=1000)
        self._key = ""
        self._send: Send | None = None
        self._lock = threading.Lock()

    def admit(self, code: str, key: str) -> str:
        """Lets a phone in that has the code, or the key that the first one got; the key. Raises Refused."""
        with self._lock:
            if self.code and hmac.compare_digest(code.encode(), self.code.encode()):
                self.code, self._key = None, secrets.token_urlsafe(24)
                return self._key
            if self._key and hmac.compare_digest(key.encode(), self._key.encode()):
                return self._key
        raise Refused(wording.WRONG_CODE)

    def attach(self, send: Send, hello: dict[str, Any]) -> None:
        """The phone that was let in is there. send: what it is told, from any thread. Raises Refused."""
        rate_hz = hello.get("rate_hz")
        if not isinstance(rate_hz, int) or not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
            raise Refused(wording.NO_RATE.format(low=LOWEST_RATE_HZ, high=HIGHEST_RATE_HZ))
        facts = {key: hello[key] for key in ("delays", "processed") if isinstance(hello.get(key), dict)}
        self.detach(self._send, wording.NETWORK)
        self._send = send
        self.microphone.attach(rate_hz, facts)
        self.joined.set()

    def has(self, send: Send) -> bool:
        """Whether the phone is there by this socket, and no later one."""
        return self._send is send

    def detach(self, send: Send | None, why: str) -> bool:
        """The phone is gone; nothing where a later socket of it has taken this one's place. Whether it was there."""
        if send is None or self._send is not send:
            return False
        self._send = None
        self.joined.clear()
        self.microphone.detach(why)
        self.player.detach(why)
        return True

    def send(self, message: str | bytes) -> None:
        """Tells the phone something. Raises PlayerError where it is not there."""
        if not (send := self._send):
            raise PlayerError(wording.NOT_THERE)
        send(message)

    def told(self, message: dict[str, Any]) -> None:
        """What the phone says. Raises KeyError, TypeError, ValueError for what is no message."""
        if "played" in message:
            self.microphone.heard_until = max(self.microphone.heard_until, int(message["frame"]))
            self.player.told(int(message["played"]), int(message["samples"]), bool(message["over"]))
        else:
            round_trip_s = time.monotonic() - float(message["tock"])
            if 0 <= round_trip_s < HIGHEST_TRIP_S:
                self.round_trips_s.append(round_trip_s)


class PhoneRoute(Route):
    """Both ways of the sound of a visit by phone."""

    microphone: PhoneMicrophone

    def __init__(self, technician: Line, helper: Line | None = None) -> None:
        self.microphone, self.player = technician.microphone, technician.player
        self.helper = helper.microphone if helper else None
        self.round_trips_s = technician.round_trips_s
        self._told_missing = 0
        self._told_drift_s = 0.0

    @property
    def loudspeaker(self) -> dict[str, Any]:
        """The phone."""
        return {"loudspeaker": self.microphone.device_name}

    def notices(self) -> Iterable[tuple[str, dict[str, Any]]]:
        """What is missing of the phone's sound; and how its clock drifts, after a minute and every ten."""
        clock, missing_s = self.microphone.clock, self.microphone.missing_s[self._told_missing :]
        if missing_s:
            self._told_missing += len(missing_s)
            yield "sound missing", {"gaps": len(missing_s), "seconds": round(sum(missing_s), 3)}
        if clock.drift_ppm is not None and time.monotonic() - self._told_drift_s > DRIFT_AGAIN_S:
            self._told_drift_s = time.monotonic()
            trips_s = list(self.round_trips_s)
            yield (
                "clock",
                {
                    "drift_ppm": round(clock.drift_ppm),
                    "seconds": round(clock.seconds),
                    "round_trip_s": round(float(np.percentile(trips_s, 95)), 3) if trips_s else None,
                },
            )

    def recover(self) -> bool:
        """Whether the phone is back; nothing that it sent before counts."""
        with suppress(Problem):
            self.microphone.reopen()
            return True
        return False

    def tell(self, sound: Audio) -> bool:
        """Plays on the phone, if it is there. Whether it sounded."""
        with suppress(PlayerError):
            return self.player.play(sound).complete
        return False
