"""The devices for sound: the library that opens them, finding one, and getting one back that was lost."""

from __future__ import annotations

import importlib
from contextlib import suppress
from typing import Any, Literal

from assistant.errors import Problem

WATCHDOG_S = 1.5
"""A device that moves no sound for so long is taken for lost, in seconds: it is told within 2 s."""

FIRST_BLOCK_S = 2.0
"""What a sound server, or a headset that slept, may take besides for the first block, in seconds: 1.7 s were seen."""


class MicrophoneLost(Exception):  # noqa: N818 - an event of the visit, which goes on once it is back
    """The microphone gives no more sound; the message is one sentence."""


def find(
    library: Any,
    device: str | int | None,
    kind: Literal["input", "output"],
    before: dict[str, Any] | None,
    otherwise: str,
) -> dict[str, Any]:
    """The device of that name or number, or the system's own choice.

    before: what was found earlier. The same device is looked for then, by its name and host interface: numbers
    change when a device is plugged in. Raises Problem, which ends with `otherwise`, where there is none.
    """
    with suppress(ValueError, library.PortAudioError):
        if before is None:
            return dict(library.query_devices(device, kind))
        for found in library.query_devices():
            same = all(found[key] == before[key] for key in ("name", "hostapi"))
            if same and found[f"max_{kind}_channels"] > 0:
                return dict(found)
    wanted = {"input": "microphone", "output": "loudspeaker"}[kind] + ("" if device is None else f" {device!r}")
    raise Problem(f"No {wanted} was found; plug one in{otherwise}.")


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
