"""What a recognizer heard, as plain values that every layer can hold."""

from __future__ import annotations

from dataclasses import dataclass

NOT_WORDS = "[unk]"
"""What the recognizer writes for speech that it has no words for; it stands for words that are not kept."""


@dataclass(frozen=True)
class HeardWord:
    """One word."""

    text: str
    start_s: float  # from the utterance's first sample
    end_s: float
    confidence: float = 1.0  # 0 to 1, in older records; it may only lower trust, never raise it (SPEECH V7)


@dataclass(frozen=True)
class Alternative:
    """Another text that fits the sound. worse_by: how much less well, in the engine's own log score (>= 0)."""

    text: str
    worse_by: float


@dataclass(frozen=True)
class Heard:
    """An utterance as heard: its text, its words in time, and the close alternatives, best first."""

    text: str
    words: tuple[HeardWord, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
