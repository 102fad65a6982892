"""A phone without a browser: it speaks the page's protocol, with a sample clock and sounds of its own."""

from __future__ import annotations

import itertools
import json
import struct
import threading
import time
from contextlib import suppress
from typing import Any

import numpy as np
from numpy.typing import NDArray
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

BLOCK = 384  # samples, as the page's worklet at 16 kHz


class Phone:
    """A phone on its line. It sends noise, and what is to be said, in real time by its own clock; what it is told to
    play it plays at `speed` times real time. `closed` is the code and the sentence with which it was sent away.
    """

    def __init__(
        self,
        origin: str,
        code: str = "",
        key: str = "",
        rate_hz: Any = 16_000,
        speed: float = 1.0,
        seed: int = 5,
        address: str = "",
        pilot_hz: float = 0.0,
    ) -> None:
        self.key, self.now, self.rate_hz, self.speed = key, "", rate_hz, speed
        self.closed: tuple[int, str] | None = None
        self.played: list[tuple[int, int, int]] = []  # first and last sample on its clock, samples
        self.frame = 0
        self.quiet_at = 0  # the sample at which the last sound ended
        self.speaks = False
        self._pilot = 2 * np.pi * pilot_hz / 16_000  # a faint tone, to be known by
        self._noise = np.random.default_rng(seed)
        self._said = np.zeros(0, np.int16)
        self._lock = threading.Lock()
        self._sounds: dict[int, int] = {}
        self.socket = connect(
            f"{(address or origin).replace('http', 'ws')}/phone/sound",
            origin=origin,
            compression=None,
            max_size=None,
            ping_interval=None,
        ).__enter__()
        self.tell({"code": code, "key": key, "rate_hz": rate_hz})
        self._ended, self._stopped = threading.Event(), threading.Event()
        self._began = time.monotonic()
        self._threads = [threading.Thread(target=each, daemon=True) for each in (self._hear, self._speak)]
        for thread in self._threads:
            thread.start()

    def tell(self, message: dict[str, Any]) -> None:
        """Sends a message."""
        self.socket.send(json.dumps(message))

    def block(self, samples: NDArray[np.int16], first: int | None = None) -> bytes:
        """A block as it is sent."""
        return struct.pack("<dd", self.frame if first is None else first, time.time()) + samples.tobytes()

    def say(self, samples: NDArray[np.int16]) -> int:
        """Says it; the sample with which it begins."""
        with self._lock:
            self._said = samples
            return self.frame

    def piece(self, number: int, data: bytes) -> None:
        """A part of a sound came; here it is only timed when it is played."""

    def at_s(self, frame: int) -> float:
        """When a sample is captured, on the monotonic clock."""
        return self._began + frame / self.rate_hz

    @property
    def quiet_s(self) -> float:
        """For how long the assistant has been silent."""
        return (self.frame - self.quiet_at) / self.rate_hz

    def silent(self) -> bool:
        """Whether all of it was said."""
        with self._lock:
            return not len(self._said)

    def cut(self) -> None:
        """Cuts the socket, as a network does that is gone."""
        self._ended.set()
        with suppress(OSError):
            self.socket.socket.shutdown(2)
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(5)

    def _hear(self) -> None:
        try:
            for message in self.socket:
                if isinstance(message, bytes):
                    self.piece(int.from_bytes(message[:4], "little"), message[4:])
                    continue
                told = json.loads(message)
                self.key = told.get("key", self.key)
                self.now = told.get("now", self.now)
                if "tick" in told:
                    self.tell({"tock": told["tick"]})
                if "stop" in told:
                    self._stopped.set()
                if "play" in told:
                    self._stopped.clear()
                    self.speaks = True
                    threading.Thread(target=self._play, args=(told["play"], told["total"]), daemon=True).start()
        except ConnectionClosed:
            pass
        self.closed = (self.socket.close_code or 0, self.socket.close_reason or "")
        self._ended.set()

    def _play(self, number: int, total: int) -> None:
        began, lasts = self.frame, total / self.rate_hz / self.speed
        until = time.monotonic() + lasts
        with suppress(ConnectionClosed, OSError):
            while (left := until - time.monotonic()) > 0 and not (self._ended.is_set() or self._stopped.is_set()):
                self._stopped.wait(min(left, 0.5))
                self._report(number, round(total * (1 - max(0.0, left) / lasts)), began, over=False)
            self.quiet_at, self.speaks = self.frame, False
            self.played.append((began, self.frame, total))
            done = round(total * (1 - max(0.0, until - time.monotonic()) / lasts))
            self._report(number, done, began, over=True)

    def _report(self, number: int, samples: int, began: int, over: bool) -> None:
        self.tell({"played": number, "samples": samples, "from": began, "frame": self.frame, "over": over})

    def _speak(self) -> None:
        began = self._began
        with suppress(ConnectionClosed, OSError):
            for n in itertools.count(1):
                if self._ended.wait(max(0.0, began + n * BLOCK / self.rate_hz - time.monotonic())):
                    return
                sound = self._noise.normal(0, 60, BLOCK)
                sound += 150 * np.sin(self._pilot * (self.frame + np.arange(BLOCK)))
                with self._lock:
                    part, self._said = self._said[:BLOCK], self._said[BLOCK:]
                    sound[: len(part)] += part
                    message = self.block(np.clip(sound, -32768, 32767).astype(np.int16))
                    self.frame += BLOCK
                self.socket.send(message)
