"""Kaldi's MFCC in PyTorch, for whole batches on a GPU.  Equal to kaldi-native-fbank (see check_features.py)."""

from __future__ import annotations

import math

import torch
from torch import nn

RATE, FRAME, SHIFT, FFT = 16000, 400, 160, 512
BINS = CEPS = 40
LOW, HIGH = 20.0, 7600.0

# conf/mfcc.conf of the built model says the same.
MFCC_CONF = "--use-energy=false\n--num-mel-bins=40\n--num-ceps=40\n--low-freq=20\n--high-freq=7600\n--dither=0\n"


def scored_frames(seconds: float) -> int:
    """How many output frames the network gives for so much sound: one for every third frame."""
    return ((int(seconds * RATE) - FRAME) // SHIFT + 3) // 3


def mel(f):
    return 1127.0 * torch.log1p(f / 700.0)


def mel_banks(warp: float = 1.0) -> torch.Tensor:
    """(FFT / 2, BINS) triangles.  ``warp`` stretches the frequency axis, as a shorter or longer
    vocal tract does."""
    freq = torch.arange(FFT // 2, dtype=torch.float64) * RATE / FFT
    knee = 4800.0
    warped = torch.where(freq < knee, freq * warp, knee * warp + (freq - knee) * (8000 - knee * warp) / (8000 - knee))
    low, high = mel(torch.tensor([LOW, HIGH], dtype=torch.float64))
    step = (high - low) / (BINS + 1)
    left = low + step * torch.arange(BINS, dtype=torch.float64)
    m = mel(warped)[:, None]
    up, down = (m - left) / step, (left + 2 * step - m) / step
    return torch.minimum(up, down).clamp(min=0).float()


class Mfcc(nn.Module):
    def __init__(self, warps=(1.0,)):
        super().__init__()
        n = torch.arange(FRAME, dtype=torch.float64)
        window = (0.5 - 0.5 * torch.cos(2 * math.pi * n / (FRAME - 1))) ** 0.85
        self.register_buffer("window", window.float())
        self.register_buffer("banks", torch.stack([mel_banks(w) for w in warps]))
        k = torch.arange(CEPS, dtype=torch.float64)[None, :]
        dct = torch.cos(math.pi / BINS * (torch.arange(BINS, dtype=torch.float64)[:, None] + 0.5) * k)
        dct *= math.sqrt(2 / BINS)
        dct[:, 0] = math.sqrt(1 / BINS)
        lifter = 1 + 11 * torch.sin(math.pi * k / 22)
        self.register_buffer("dct", (dct * lifter).float())

    def forward(self, wave: torch.Tensor, which: torch.Tensor | None = None) -> torch.Tensor:
        """wave: (batch, samples), int16 scale; ``which`` warp each row gets.  -> (batch, frames, CEPS)"""
        x = wave.unfold(1, FRAME, SHIFT)
        x = x - x.mean(dim=2, keepdim=True)
        x = torch.cat([x[:, :, :1] * 0.03, x[:, :, 1:] - 0.97 * x[:, :, :-1]], dim=2) * self.window
        power = torch.fft.rfft(x, FFT).abs().square()[:, :, : FFT // 2]
        banks = self.banks[0] if which is None else self.banks[which]
        energies = torch.matmul(power, banks).clamp(min=torch.finfo(torch.float32).eps).log()
        return torch.matmul(energies, self.dct)
