"""What a recognizer heard, as plain values that every layer can hold."""

from __future__ import annotations

from dataclasses import dataclass

NOT_WORDS = "[unk]"
"""What the recognizer writes for speech that it has no words for; it stands for words that are not kept."""

TOO_LOUD_DB = 8.0
"""Words that are less than this above the noise around them are not trusted: a reading in them needs a spoken yes.

Measured with the bundled model (docs/hearing.md): wrong values were taken without an ask in 0.4 % of readings that were
10 dB over the noise, and in 2.9 % at 5 dB. Of 180 utterances at 10 dB 2 were measured below 8; of 180 at 5 dB all were.
"""


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
