"""The short sounds can be told apart, also in the noise of a blower."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.speech.earcons import TONES, earcon

RATE = 22_050


def spectrogram(samples: np.ndarray) -> np.ndarray:
    size = 512
    frames = np.lib.stride_tricks.sliding_window_view(samples.astype(float), size)[:: size // 4]
    return np.abs(np.fft.rfft(frames * np.hanning(size)))[:, 10:80]  # 430 to 3400 Hz


def recognised(samples: np.ndarray) -> str:
    """Which sound fits best, by the likeness of the spectrograms at the best place."""
    heard = spectrogram(samples)
    best = {}
    for name in TONES:
        model = spectrogram(earcon(name).samples)
        model = model / np.linalg.norm(model)
        places = range(0, len(heard) - len(model) + 1)
        best[name] = max(float((heard[at : at + len(model)] * model).sum()) for at in places)
    return max(best, key=lambda name: best[name])


@pytest.mark.parametrize("name", list(TONES))
def test_each_is_told_from_the_others_in_noise_as_loud_as_itself(name):
    sound = earcon(name).samples
    room = np.zeros(RATE, float)
    room[RATE // 4 : RATE // 4 + len(sound)] = sound
    level = np.sqrt(np.mean(sound.astype(float) ** 2))
    rng = np.random.default_rng(7)
    for _ in range(20):
        noise = np.cumsum(rng.normal(0, 1, RATE))  # falls by 6 dB an octave, as a blower's does
        noise -= np.convolve(noise, np.ones(2000) / 2000, "same")
        assert recognised(room + noise * level / noise.std()) == name


def test_they_are_short_and_never_clip():
    for name in TONES:
        sound = earcon(name)
        assert 0.04 < sound.seconds < 0.5
        assert 10_000 < np.abs(sound.samples.astype(int)).max() < 20_000
