"""Short sounds that say what words would take too long for, made from tones.

They differ in rhythm and in the way of their pitch, not in loudness, and lie between 500 and 3000 Hz: a blower's
noise is strongest below, and worn ears hear badly above. None takes a fifth of a second, since words wait for it.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from assistant.speech.audio import FULL_SCALE, Audio, to_int16

Earcon = Literal["listening", "heard", "refused", "hazard"]

# (frequency in Hz, seconds) one after another; 0 Hz is a pause.
TONES: dict[Earcon, tuple[tuple[float, float], ...]] = {
    "listening": ((880.0, 0.06), (1320.0, 0.06)),  # up: your turn
    "heard": ((1760.0, 0.05),),  # one short, high
    "refused": ((1320.0, 0.05), (660.0, 0.07)),  # down
    "hazard": ((2200.0, 0.045), (1100.0, 0.045)) * 2,  # to and fro, the longest
}
_LEVEL = 0.5  # of full scale
_EDGE_S = 0.005  # faded in and out, or it clicks


def earcon(name: Earcon, rate_hz: int = 22_050) -> Audio:
    """The sound of that name."""
    parts = []
    for hz, seconds in TONES[name]:
        at = np.arange(round(seconds * rate_hz)) / rate_hz
        fade = np.clip(np.minimum(at, seconds - at) / _EDGE_S, 0.0, 1.0)
        parts.append(np.sin(2 * np.pi * hz * at) * fade * (hz > 0))
    return Audio(to_int16((np.concatenate(parts) * _LEVEL * FULL_SCALE).astype(np.float32)), rate_hz)
