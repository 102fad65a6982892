"""How loud sound is, and how far speech in it is above its noise.

Levels are in dB below full scale (dBFS).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from assistant.language.heard import HeardWord
from assistant.speech.audio import FULL_SCALE, Audio

LOWEST = 1.0  # the level of a silence that is digital, in int16 steps: a logarithm needs one

FRAME_S = 0.02
# The recognizer's time of a word is up to 0.09 s off (`make bench-live`): what is so near to one is not noise.
BESIDE_S = 0.1
LEAST_NOISE_S = 0.1  # less of it tells nothing


def level_db(samples: NDArray[np.int16]) -> float:
    """The level of a sound, in dBFS."""
    rms = float(np.sqrt(np.mean(np.square(samples.astype(np.float64))))) if len(samples) else 0.0
    return 20 * math.log10(max(rms, LOWEST) / FULL_SCALE)


def spoken_db(sound: Audio, words: Sequence[HeardWord]) -> float | None:
    """The level of speech, noise and all, from its first word to its last; None where there are no words."""
    if not words:
        return None
    first, last = (round(t * sound.rate_hz) for t in (words[0].start_s, words[-1].end_s))
    return level_db(sound.samples[first:last])


def over_noise_db(sound: Audio, words: Sequence[HeardWord]) -> float | None:
    """How far the words are above the noise before and after them; None where there is too little of either."""
    spoken = spoken_db(sound, words)
    if spoken is None:
        return None
    before = round((words[0].start_s - BESIDE_S) * sound.rate_hz)
    after = round((words[-1].end_s + BESIDE_S) * sound.rate_hz)
    noise = np.concatenate([sound.samples[: max(0, before)], sound.samples[after:]])
    if len(noise) < LEAST_NOISE_S * sound.rate_hz:
        return None
    return without_noise_db(spoken, level_db(noise)) - level_db(noise)


def without_noise_db(heard_db: float, noise_db: float) -> float:
    """The level of speech alone, where speech and noise were measured together."""
    return 10 * math.log10(max(10 ** (heard_db / 10) - 10 ** (noise_db / 10), 1e-12))
