"""The devices for sound: the library that opens them, finding one, and getting one back that was lost."""

from __future__ import annotations

import importlib
import time
from collections.abc import Callable
from contextlib import suppress
from threading import Event
from typing import Any, Literal

from assistant.errors import Problem

WATCHDOG_S = 1.5
"""A device that moves no sound for so long is taken for lost, in seconds: it is told within 2 s."""

FIRST_BLOCK_S = 2.0
"""What a sound server, or a headset that slept, may take besides for the first block, in seconds: 1.7 s were seen."""


class MicrophoneLost(Exception):  # noqa: N818 - an event of the visit, which goes on once it is back
    """The microphone gives no more sound; the message is one sentence."""


class Device:
    """A device for sound (its name, its number, or None for the system's own choice), as it was found last.

    Raises Problem, which ends with `otherwise`, where there is none or no library. `library` is for tests.
    """

    def __init__(
        self, wanted: str | int | None, kind: Literal["input", "output"], otherwise: str, library: Any = None
    ) -> None:
        self.library = library or load_sounddevice(otherwise)
        self._wanted, self._kind, self._otherwise = wanted, kind, otherwise
        self._found: dict[str, Any] | None = None
        self.look()

    def look(self) -> None:
        """Finds it. Once it was found the same one is looked for, by its name and host interface: numbers change when a
        device is plugged in. Raises Problem while it is not there."""
        found = self._look()
        if found is None:
            wanted = "" if self._wanted is None else f" {self._wanted!r}"
            kind = {"input": "microphone", "output": "loudspeaker"}[self._kind]
            raise Problem(f"No {kind}{wanted} was found; plug one in{self._otherwise}.")
        self._found = found
        self.index, self.name = found["index"], str(found["name"])
        self.rate_hz = round(found["default_samplerate"])
        self.channels = int(found[f"max_{self._kind}_channels"])

    def _look(self) -> dict[str, Any] | None:
        with suppress(ValueError, self.library.PortAudioError):
            if self._found is None:
                return dict(self.library.query_devices(self._wanted, self._kind))
            for found in self.library.query_devices():
                same = all(found[key] == self._found[key] for key in ("name", "hostapi"))
                if same and found[f"max_{self._kind}_channels"] > 0:
                    return dict(found)
        return None


def watch(over: Event, taken: Callable[[], int], look_s: float, watchdog_s: float, first_s: float = 0.0) -> bool:
    """Waits until a sound is over; whether it was. Not where nothing more of it was taken for `watchdog_s`, at first
    `first_s` longer."""
    seen, since = taken(), time.monotonic() + first_s
    while not over.wait(look_s):
        if taken() != seen:
            seen, since = taken(), time.monotonic()
        elif time.monotonic() - since > watchdog_s:
            return False
    return True


def load_sounddevice(otherwise: str = "") -> Any:
    """Return the library for sound devices. Raises Problem, which ends with `otherwise`, where it is missing.

    Only here and only when a device is wanted: importing it fails on a system without PortAudio, and nothing
    else of the assistant needs it.
    """
    try:
        return importlib.import_module("sounddevice")
    except (ImportError, OSError):
        raise Problem(
            "The sound library PortAudio (package libportaudio2) was not found; "
            f"install it with: sudo apt install libportaudio2{otherwise}"
        ) from None
