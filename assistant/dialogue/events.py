"""What can happen to a visit, as plain values. The clock is in them: nothing in the dialogue looks at one."""

from __future__ import annotations

from dataclasses import dataclass

from assistant.language.heard import TOO_LOUD_DB, Heard

IN_NOISE = "noise"
"""Why a reading is asked: the noise is near."""


@dataclass(frozen=True)
class Opened:
    """The visit begins, or goes on after an interruption (`resumed`)."""

    resumed: bool = False


@dataclass(frozen=True)
class Said:
    """Somebody said something.

    at_s: start of its first word on the stream's sample clock, in seconds. audio: name of its recording.
    over_noise_db: how far its words are above the noise around them; None where that is not known.
    """

    heard: Heard
    at_s: float = 0.0
    audio: str = ""
    over_noise_db: float | None = None

    @property
    def in_noise(self) -> bool:
        """Whether the noise is so near that a reading is asked back, however it was heard."""
        return self.over_noise_db is not None and self.over_noise_db < TOO_LOUD_DB


@dataclass(frozen=True)
class Quiet:
    """Nobody has said anything for `seconds` of the stream."""

    seconds: float


@dataclass(frozen=True)
class Clock:
    """The stream's sample clock has come to `at_s`, in seconds, at which a timer has something to tell."""

    at_s: float


@dataclass(frozen=True)
class Voiced:
    """What became of the assistant's last words: all played, or not, and why."""

    complete: bool
    problem: str = ""


Event = Opened | Said | Quiet | Clock | Voiced
