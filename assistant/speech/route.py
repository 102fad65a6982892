"""Both ways of the sound of a live visit, and getting them back when a device was lost."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from typing import Any, Protocol

from assistant.errors import Problem
from assistant.speech.audio import Audio
from assistant.speech.devices import load_sounddevice
from assistant.speech.microphone import Captured, Microphone
from assistant.speech.player import DevicePlayer, Player, PlayerError


class Route(Protocol):
    """Both ways of the sound of a live visit."""

    @property
    def microphone(self) -> Captured:
        """The technician's."""

    @property
    def helper(self) -> Captured | None:
        """The helper's, where there is one."""

    @property
    def player(self) -> Player:
        """The loudspeaker."""

    @property
    def facts(self) -> dict[str, Any]:
        """The devices with their rates and latencies, for the record."""

    def notices(self) -> Iterable[tuple[str, dict[str, Any]]]:
        """What happened to a device since the last look, for the record."""

    def recover(self) -> bool:
        """Looks for what was lost; whether both ways are there. The helper's microphone need not be."""

    def tell(self, sound: Audio) -> bool:
        """Plays on whatever loudspeaker is left. Whether it sounded."""


class SoundRoute:
    """The microphone and the loudspeaker of a visit, which may be lost and come back; and a helper's microphone.

    Looking for a device anew ends every open stream (the library lists devices only when it starts), so both
    are closed and opened together.
    """

    def __init__(
        self, microphone: Microphone, player: DevicePlayer, library: Any = None, helper: Microphone | None = None
    ) -> None:
        self.microphone, self.player, self.helper = microphone, player, helper
        self._library = library or load_sounddevice()

    @property
    def facts(self) -> dict[str, Any]:
        """The route, its rates and latencies, for the record."""
        helper = {"helper_microphone": self.helper.route} if self.helper else {}
        return {"microphone": self.microphone.route, "loudspeaker": self.player.route, **helper}

    def notices(self) -> Iterable[tuple[str, dict[str, Any]]]:
        """Nothing: what happens to a sound card shows in its sound."""
        return ()

    def recover(self) -> bool:
        """Looks for both devices and opens the microphone; whether both are there. The helper's need not be."""
        self.microphone.close()
        if self.helper:
            self.helper.close()
        # The library offers no other way to see a device that was plugged in (python-sounddevice issue 125).
        self._library._terminate()
        self._library._initialize()
        try:
            self.player.look()
            self.microphone.reopen()
        except Problem:
            return False
        if self.helper:
            with suppress(Problem):  # the visit goes on without it: it gives no sound, and is told as lost
                self.helper.reopen()
        return True

    def tell(self, sound: Audio) -> bool:
        """Plays on whatever loudspeaker is left: the visit's own, else the system's choice. Whether it sounded."""
        with suppress(PlayerError, Problem):
            return self.player.play(sound).complete
        with suppress(PlayerError, Problem):
            return DevicePlayer(sounddevice=self._library).play(sound).complete
        return False
