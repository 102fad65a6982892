"""Both ways of the sound of a live visit, and getting them back when a device was lost."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from contextlib import ExitStack, suppress
from typing import Any

from assistant.errors import Problem
from assistant.speech.audio import Audio
from assistant.speech.devices import load_sounddevice
from assistant.speech.microphone import Captured, Microphone
from assistant.speech.player import DevicePlayer, Player, PlayerError


class Route(ABC):
    """Both ways of the sound of a live visit. helper: a second microphone, where there is one."""

    microphone: Captured
    player: Player
    helper: Captured | None

    @property
    @abstractmethod
    def loudspeaker(self) -> dict[str, Any]:
        """Which loudspeaker it is, for the record."""

    @property
    def facts(self) -> dict[str, Any]:
        """The devices with their rates and latencies, for the record."""
        helper = {"helper_microphone": self.helper.route} if self.helper else {}
        return {"microphone": self.microphone.route, "loudspeaker": self.loudspeaker, **helper}

    def notices(self) -> Iterable[tuple[str, dict[str, Any]]]:
        """What happened to a device since the last look, for the record, where its sound does not show it."""
        return ()

    @abstractmethod
    def recover(self) -> bool:
        """Looks for what was lost; whether both ways are there. The helper's microphone need not be."""

    @abstractmethod
    def tell(self, sound: Audio) -> bool:
        """Plays on whatever loudspeaker is left. Whether it sounded."""


OpenRoute = Callable[[int, ExitStack], Route]
"""Opens both ways, until the stack is left; given samples a second. Raises Problem."""


class SoundRoute(Route):
    """The microphone and the loudspeaker of a visit, which may be lost and come back; and a helper's microphone.

    Looking for a device anew ends every open stream (the library lists devices only when it starts), so both
    are closed and opened together.
    """

    microphone: Microphone
    player: DevicePlayer
    helper: Microphone | None

    def __init__(
        self, microphone: Microphone, player: DevicePlayer, library: Any = None, helper: Microphone | None = None
    ) -> None:
        self.microphone, self.player, self.helper = microphone, player, helper
        self._library = library or load_sounddevice()

    @property
    def loudspeaker(self) -> dict[str, Any]:
        """Which loudspeaker it is, its rate and latency."""
        return self.player.route

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


def sound_card(
    rate_hz: int,
    stack: ExitStack,
    microphone: str | None = None,
    loudspeaker: str | None = None,
    helper: str | None = None,
) -> SoundRoute:
    """The devices of this machine, open until the stack is left, by their names; without one the system's own choice,
    and no helper's microphone. Raises Problem."""
    own = stack.enter_context(Microphone(microphone, rate_hz))
    second = stack.enter_context(Microphone(helper, rate_hz)) if helper else None
    if second and second.device_name == own.device_name:
        raise Problem(f"{own.device_name!r} is the technician's own microphone; name another one for the helper.")
    return SoundRoute(own, DevicePlayer(loudspeaker), helper=second)
