"""Furnace-like noise and rooms, made up from random numbers, and their levels against speech.

Sound is float32, mono, -1..1, 16 kHz unless a function says otherwise.  Levels are in decibels; a
signal-to-noise ratio is the speech's mean active power over the noise's mean power, over 0-8 kHz.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 16000
NOISES = ("none", "blower", "hum")

# A frame counts as speech when it is within this many decibels of the loudest frame.
ACTIVE_SPAN_DB = 30.0
FRAME = RATE_HZ // 50

# The hiss of an invented microphone: what is left where the noise is "none".
HISS_SNR_DB = 50.0

Sound: TypeAlias = NDArray[np.float32]
Wave: TypeAlias = NDArray[np.float64]


def mean_power(sound: Sound | Wave) -> float:
    """The mean square of all samples."""
    return float(np.mean(np.square(sound, dtype=np.float64))) if len(sound) else 0.0


def active_power(sound: Sound | Wave) -> float:
    """The mean square over the 20 ms frames that hold speech (within 30 dB of the loudest frame)."""
    count = len(sound) // FRAME
    if not count:
        return mean_power(sound)
    frames = np.square(sound[: count * FRAME].astype(np.float64)).reshape(count, FRAME).mean(axis=1)
    spoken = frames > frames.max() * 10 ** (-ACTIVE_SPAN_DB / 10)
    return float(frames[spoken].mean()) if spoken.any() else 0.0


def snr_gain(speech_power: float, noise_power: float, snr_db: float) -> float:
    """The factor on a noise of ``noise_power`` that puts it ``snr_db`` under ``speech_power``."""
    if speech_power <= 0 or noise_power <= 0:
        raise ValueError("a signal-to-noise ratio needs speech and noise that are not silent")
    return float(np.sqrt(speech_power / noise_power * 10 ** (-snr_db / 10)))


def make_noise(kind: str, count: int, rng: np.random.Generator, ticks_per_s: float = 0.0) -> Sound:
    """``count`` samples of noise at a mean power of 1.

    ``blower``: roar, 120 Hz hum with harmonics and the blade-pass tone (180-420 Hz).  ``hum``: a
    transformer's hum over a faint hiss.  ``none``: hiss only.  ``ticks_per_s`` adds spark ticks.
    """
    if kind == "blower":
        wander = 10 ** (2.0 * _slow(count, rng, 0.4) / 20)
        noise = _unit(_roar(count, rng) * wander)
        noise += rng.uniform(0.15, 0.45) * _tones(count, rng, 120.0, 10, 0.0)
        noise += rng.uniform(0.15, 0.45) * _tones(count, rng, rng.uniform(180, 420), 4, 0.004)
    elif kind == "hum":
        noise = _tones(count, rng, 120.0, 12, 0.0) + 0.1 * _coloured(count, rng, 0.0, 20)
    elif kind == "none":
        noise = _coloured(count, rng, 0.0, 20)
    else:
        raise ValueError(f"unknown noise {kind!r}: known are {', '.join(NOISES)}")
    if ticks_per_s:
        noise = _unit(noise) + 0.5 * _ticks(count, rng, ticks_per_s)
    return _unit(noise).astype(np.float32)


def room_response(rng: np.random.Generator, strength_db: float = -12.0) -> Sound:
    """A made-up basement room's response, 0.25 s: the direct sound, six early echoes, a dull tail.

    ``strength_db`` is the power of everything after the direct sound against the direct sound.
    """
    count = RATE_HZ // 4
    t = np.arange(count) / RATE_HZ
    late = rng.standard_normal(count) * np.exp(-6.9 * t / rng.uniform(0.12, 0.22))
    late = np.convolve(late, np.exp(-np.arange(8) / 2.0))[:count] * (t > 0.012)
    late = _unit(late) * np.sqrt(count)
    for at in rng.uniform(0.003, 0.030, size=6):
        late[int(at * RATE_HZ)] += rng.choice((-1, 1)) * rng.uniform(0.3, 0.8) * np.exp(-at / 0.03) * 2
    late *= 10 ** (strength_db / 20) / np.linalg.norm(late)
    late[0] = 1.0
    return np.asarray(late, dtype=np.float32)


def in_room(voice: Sound, response: Sound) -> Sound:
    """The voice as heard in the room: longer by the response, starting at the same moment."""
    count = len(voice) + len(response) - 1
    size = _good_size(count)
    heard = np.fft.irfft(np.fft.rfft(voice, size) * np.fft.rfft(response, size), size)
    return heard[:count].astype(np.float32)


def _unit(sound: Wave) -> Wave:
    return sound / max(float(np.sqrt(np.mean(np.square(sound)))), 1e-12)


def _good_size(count: int) -> int:
    """A length at or above ``count`` (samples) that transforms fast: 2**n, or 1.5 times that."""
    size = 1 << max(count - 1, 1).bit_length()
    return size * 3 // 4 if size * 3 // 4 >= count else size


def _coloured(count: int, rng: np.random.Generator, slope: float, corner_hz: float, dull_hz: float = RATE_HZ) -> Wave:
    """Unit-power noise: amplitude falls as ``f ** -slope`` above ``corner_hz``, faster above ``dull_hz``."""
    size = _good_size(count)
    f = np.fft.rfftfreq(size, 1 / RATE_HZ)
    spectrum = rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f))
    shape = (1 + f / corner_hz) ** -slope / np.hypot(1, f / dull_hz) * (f > 15)
    return _unit(np.fft.irfft(spectrum * shape, size)[:count])


def _roar(count: int, rng: np.random.Generator) -> Wave:
    """Noise between pink and brown (amplitude slope 0.5 to 1), with the top dulled as by sheet metal."""
    return _coloured(count, rng, rng.uniform(0.5, 1.0), rng.uniform(60, 250), rng.uniform(2000, 5000))


def _slow(count: int, rng: np.random.Generator, per_s: float) -> Wave:
    """A smooth wander within about -1..1 that turns about ``per_s`` times a second."""
    points = rng.uniform(-1, 1, size=int(count / RATE_HZ * per_s) + 3)
    at = np.arange(count) * (per_s / RATE_HZ)
    left = at.astype(np.int64)
    part = (1 - np.cos(np.pi * (at - left))) / 2
    return np.asarray(points[left] * (1 - part) + points[left + 1] * part)


def _tones(count: int, rng: np.random.Generator, base_hz: float, harmonics: int, wander: float) -> Wave:
    """Unit-power hum: a base frequency and its harmonics below 8 kHz; it drifts by ``wander`` of itself."""
    phase = 2 * np.pi * base_hz / RATE_HZ * np.cumsum(1 + wander * _slow(count, rng, 0.5))
    out = np.zeros(count)
    for k in range(1, harmonics + 1):
        if k * base_hz < RATE_HZ / 2:
            out += rng.uniform(0.3, 1) / k * np.sin(k * phase + rng.uniform(0, 2 * np.pi))
    return _unit(out)


def _ticks(count: int, rng: np.random.Generator, per_s: float) -> Wave:
    """Unit-power spark ticks, nearly regular: 1-3 ms bursts of 1.5-6 kHz ringing."""
    impulses = np.zeros(count)
    at = rng.uniform(0, 1 / per_s)
    while at * RATE_HZ < count:
        impulses[int(at * RATE_HZ)] = rng.uniform(0.6, 1.0)
        at += rng.uniform(0.9, 1.1) / per_s
    if not impulses.any():
        impulses[count // 2] = 1.0
    t = np.arange(RATE_HZ // 50) / RATE_HZ
    ring = np.exp(-t / rng.uniform(0.001, 0.003)) * np.sin(2 * np.pi * rng.uniform(1500, 6000) * t)
    return _unit(np.convolve(impulses, ring)[:count])
