"""Makes clean speech sound like speech in a boiler room, on the GPU and for a whole batch at once.

Everything is made up from random numbers: rooms, microphones, noise (blower, hum, blade tone, spark
ticks, clatter, hiss, babble), narrow bands (8 kHz, telephone), gain and clipping.
"""

from __future__ import annotations

import math
import random

import torch
from torch.nn import functional as F

RATE = 16000
ROOM = RATE // 2  # longest room response, in samples
KINDS = ["blower", "hiss", "hum", "ticks", "clatter", "babble", "all"]
CHANCES = [0.34, 0.18, 0.08, 0.08, 0.10, 0.14, 0.08]


def good_size(n: int) -> int:
    return math.ceil(n / 4000) * 4000


class Augment:
    def __init__(self, device, seed: int = 0, snr: tuple[float, float] = (0, 40), narrow: float = 0.30):
        self.device, self.snr, self.narrow = device, snr, narrow
        self.draw = random.Random(seed)
        self.rng = torch.Generator(device=device)
        self.rng.manual_seed(seed)

    def uniform(self, low, high, *shape):
        return low + (high - low) * torch.rand(*shape, device=self.device, generator=self.rng)

    def normal(self, *shape):
        return torch.randn(*shape, device=self.device, generator=self.rng)

    def maybe(self, chance, *shape):
        return torch.rand(*shape, device=self.device, generator=self.rng) < chance

    # --- parts ------------------------------------------------------------------------
    def rooms(self, rows: int, size: int):
        """Spectra of room responses: the direct sound and a decaying tail."""
        t = torch.arange(ROOM, device=self.device) / RATE
        decay = torch.exp(-6.9 * t / self.uniform(0.05, 0.5, rows, 1))
        tail = self.normal(rows, ROOM) * decay
        tail = torch.where(t < self.uniform(0.001, 0.010, rows, 1), 0.0, tail)
        tail = tail / (tail.norm(dim=1, keepdim=True) + 1e-9)
        f = torch.linspace(0, 8000, size // 2 + 1, device=self.device)
        dull = 1 / (1 + f / self.uniform(1000, 12000, rows, 1))
        strength = self.uniform(0.05, 0.7, rows, 1) * self.maybe(0.6, rows, 1)
        return 1 + strength * dull * torch.fft.rfft(tail, size)

    def equalizer(self, rows: int, bins: int, decibels: float = 7.0, points: int = 8):
        """A microphone's uneven response: smooth random gains."""
        gains = self.uniform(-decibels, decibels, rows, 1, points) * self.maybe(0.75, rows, 1, 1)
        smooth = F.interpolate(gains, size=bins, mode="linear", align_corners=True)[:, 0]
        return 10 ** (smooth / 20)

    def coloured(self, rows: int, size: int, slopes, corners):
        """Noise that falls by ``slopes`` (exponent of amplitude) above ``corners`` (Hz)."""
        f = torch.linspace(0, 8000, size // 2 + 1, device=self.device)
        shape = (1 + f / self.uniform(*corners, rows, 1)) ** -self.uniform(*slopes, rows, 1)
        spectrum = torch.complex(self.normal(rows, len(f)), self.normal(rows, len(f)))
        return torch.fft.irfft(spectrum * shape, size)

    def tones(self, rows: int, size: int, base, harmonics: int = 10, wobble: float = 0.003):
        """A hum: a base frequency (rows, 1) that wanders a little, and its harmonics."""
        t = torch.arange(size, device=self.device) / RATE
        wander = (
            wobble
            * base
            / self.uniform(0.3, 2, rows, 1)
            * torch.sin(2 * math.pi * self.uniform(0.3, 2, rows, 1) * t + self.uniform(0, 6.3, rows, 1))
        )
        phase = 2 * math.pi * (base * t) + 2 * math.pi * wander
        out = torch.zeros(rows, size, device=self.device)
        for k in range(1, harmonics + 1):
            out += self.uniform(0, 1, rows, 1) / k * torch.sin(k * phase + self.uniform(0, 6.3, rows, 1))
        return out

    def events(self, rows: int, size: int, per_second, seconds, sound):
        """Short sounds at random times, each dying away within ``seconds``."""
        times = self.maybe(self.uniform(*per_second, rows, 1) / RATE, rows, size) * self.uniform(0.3, 1, rows, size)
        t = torch.arange(size, device=self.device) / RATE
        decay = torch.exp(-t / self.uniform(*seconds, rows, 1))
        kernel = decay * sound(t)
        return torch.fft.irfft(torch.fft.rfft(times) * torch.fft.rfft(kernel), size)

    def noises(self, speech, size: int):
        """(kinds, rows, size), each of unit power."""
        rows = len(speech)
        t = torch.arange(size, device=self.device) / RATE
        mains = torch.where(self.maybe(0.7, rows, 1), 120.0, 100.0)
        sway = 1 + self.uniform(0, 0.4, rows, 1) * torch.sin(
            2 * math.pi * self.uniform(0.2, 2, rows, 1) * t + self.uniform(0, 6.3, rows, 1)
        )
        hum = unit(self.tones(rows, size, mains / torch.where(self.maybe(0.3, rows, 1), 2.0, 1.0), 14, 0.0))
        blade = unit(self.tones(rows, size, self.uniform(180, 420, rows, 1), 6))
        blower = unit(
            unit(self.coloured(rows, size, (0.6, 2.2), (80, 800))) * sway
            + self.uniform(0, 0.6, rows, 1) * hum
            + self.uniform(0, 0.8, rows, 1) * blade
        )
        hiss = unit(self.coloured(rows, size, (-0.3, 1.2), (300, 4000)))
        humming = unit(hum + 0.05 * hiss)
        pitch = self.uniform(800, 6000, rows, 1)
        ticks = unit(
            unit(self.events(rows, size, (2, 14), (0.001, 0.008), lambda t: torch.sin(2 * math.pi * pitch * t)))
            + 0.1 * blower
        )
        bursts = self.events(rows, size, (0.5, 6), (0.01, 0.15), torch.ones_like)
        clatter = unit(unit(self.normal(rows, size) * bursts) + 0.08 * hiss)
        babble = torch.zeros_like(hiss)
        for k in range(1, 6):
            babble += torch.roll(speech, (k, self.draw.randrange(size)), (0, 1)) * self.uniform(0.2, 1, rows, 1)
        babble = unit(unit(babble) + 0.05 * hiss)
        mix = unit(
            blower
            + self.uniform(0, 1, rows, 1) * babble
            + self.uniform(0, 1, rows, 1) * ticks
            + self.uniform(0, 1, rows, 1) * clatter
        )
        return torch.stack([blower, hiss, humming, ticks, clatter, babble, mix])

    def bands(self, rows: int, bins: int):
        """What the microphone's sampling or a telephone lets through."""
        f = torch.linspace(0, 8000, bins, device=self.device)
        kind = self.uniform(0, 1, rows, 1)
        top = torch.where(
            kind < self.narrow,
            self.uniform(3300, 4100, rows, 1),
            torch.where(kind < self.narrow + 0.12, self.uniform(4500, 7500, rows, 1), 9000.0),
        )
        bottom = torch.where((kind < 0.12) | (kind > 0.9), self.uniform(80, 350, rows, 1), -300.0)
        return torch.sigmoid((top - f) / 40) * torch.sigmoid((f - bottom) / 25)

    # --- the whole --------------------------------------------------------------------
    def __call__(self, speech: torch.Tensor) -> torch.Tensor:
        """(rows, samples), about -1..1 -> the same shape at int16 scale, whole numbers."""
        rows, length = speech.shape
        size = good_size(length + ROOM)
        bins = size // 2 + 1
        said = speech.abs() > 1e-3
        level = (speech.square().sum(1) / said.sum(1).clamp(min=1)).sqrt()
        level = torch.where(said.any(1), level, 0.05)[:, None]
        heard = torch.fft.irfft(
            torch.fft.rfft(speech, size) * self.rooms(rows, size) * self.equalizer(rows, bins), size
        )
        now = (heard.square().sum(1) / said.sum(1).clamp(min=1)).sqrt()[:, None]
        heard = heard * level / now.clamp(min=1e-4)

        kinds = torch.multinomial(torch.tensor(CHANCES, device=self.device), rows, True, generator=self.rng)
        noise = self.noises(heard, size)[kinds, torch.arange(rows, device=self.device)]
        snr = self.uniform(*self.snr, rows, 1)
        noisy = self.maybe(0.9, rows, 1)
        x = heard + noise * level * 10 ** (-snr / 20) * noisy
        x = torch.fft.irfft(torch.fft.rfft(x) * self.bands(rows, bins) * self.equalizer(rows, bins, 3.0), size)
        x = x[:, :length]

        x = x / x.abs().amax(1, keepdim=True).clamp(min=1e-4) * 10 ** (self.uniform(-34, -0.5, rows, 1) / 20)
        clipped = self.maybe(0.06, rows, 1)
        x = torch.where(
            clipped, (x / x.abs().amax(1, keepdim=True).clamp(min=1e-4) * self.uniform(1.2, 4, rows, 1)).clamp(-1, 1), x
        )
        floor = self.normal(rows, length) * self.uniform(0, 12, rows, 1) * self.maybe(0.5, rows, 1)
        return (x * 32767 + floor).round()


def unit(x):
    return x / (x.square().mean(1, keepdim=True).sqrt() + 1e-6)
