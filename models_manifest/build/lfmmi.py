"""Lattice-free MMI for monophones whose first frame and further frames differ.

The network gives, for each phone, a score for its first frame (column 2p) and one for each further
frame (column 2p + 1).  The numerator sums over all alignments of the known phones (silence optional
between words); the denominator sums over all phone sequences, weighted by a phone bigram.  Every row
of a batch has the same number of frames.
"""

from __future__ import annotations

import numpy as np
import torch
from torch import nn
from torch.nn import functional as F

NONE = -1e30


class PhoneBigram(nn.Module):
    """log P(next | previous), with a start and an end; learned from sequences."""

    def __init__(self, phones: int, sequences, smoothing: float = 0.5):
        super().__init__()
        counts = np.full((phones + 1, phones + 1), smoothing)  # last row/col: start/end
        for seq in sequences:
            path = [phones, *seq, phones]
            np.add.at(counts, (path[:-1], path[1:]), 1.0)
        counts[phones, phones] = 0.0
        with np.errstate(divide="ignore"):
            logs = np.log(counts / counts.sum(1, keepdims=True))
        logs[phones, phones] = NONE
        logs = torch.tensor(logs, dtype=torch.float32)
        self.register_buffer("inner", logs[:phones, :phones].contiguous())
        self.register_buffer("start", logs[phones, :phones].contiguous())
        self.register_buffer("end", logs[:phones, phones].contiguous())


def denominator(scores, lm: PhoneBigram):
    """scores: (batch, frames, 2 * phones) -> (batch,) log-sums over all phone sequences."""
    first, more = scores[:, :, 0::2].unbind(1), scores[:, :, 1::2].unbind(1)
    step = torch.exp(lm.inner)
    alpha = lm.start + first[0]
    for t in range(1, scores.shape[1]):
        top = alpha.amax(dim=1, keepdim=True).detach()
        enter = torch.log(torch.exp(alpha - top) @ step + 1e-30) + top
        alpha = torch.logaddexp(alpha + more[t], enter + first[t])
    return torch.logsumexp(alpha + lm.end, dim=1)


def numerator(scores, sequences, optional, lm: PhoneBigram):
    """sequences: (batch, positions) phone ids, -1 beyond the end; ``optional`` marks positions that may
    be passed over (never two in a row).  -> (batch,) log-sums over the alignments."""
    rows = torch.arange(len(scores), device=scores.device)
    seq, valid = sequences.clamp(min=0), sequences >= 0
    index = (2 * seq)[:, None, :].expand(-1, scores.shape[1], -1)
    first, more = torch.gather(scores, 2, index).unbind(1), torch.gather(scores, 2, index + 1).unbind(1)

    before1, before2 = F.pad(seq[:, :-1], (1, 0)), F.pad(seq[:, :-2], (2, 0))
    column = torch.arange(seq.shape[1], device=seq.device)
    one = torch.where(valid & (column >= 1), lm.inner[before1, seq], NONE)
    skip = valid & F.pad(optional[:, :-1], (1, 0)) & (column >= 2)
    two = torch.where(skip, lm.inner[before2, seq], NONE)
    begin = (column == 0) | ((column == 1) & optional[:, :1] & valid)

    alpha = torch.where(begin, lm.start[seq] + first[0], NONE)
    for t in range(1, scores.shape[1]):
        padded = F.pad(alpha, (2, 0), value=NONE)
        enter = torch.logaddexp(padded[:, 1:-1] + one, padded[:, :-2] + two)
        alpha = torch.logaddexp(alpha + more[t], enter + first[t]).clamp(min=NONE)
    size = valid.sum(1)
    last = alpha[rows, size - 1] + lm.end[seq[rows, size - 1]]
    other = (size - 2).clamp(min=0)
    previous = alpha[rows, other] + lm.end[seq[rows, other]]
    previous = torch.where(optional[rows, size - 1] & (size > 1), previous, NONE)
    return torch.logaddexp(last, previous)


class Objective(nn.Module):
    """(LF-MMI of the phones, that of the garbage phone, size of the scores), each per frame.

    The garbage phone is the last one.  The first value does without it.  In the second, words that are not
    of the job are garbage, everything competes, and only the garbage phone's own scores learn.
    """

    def __init__(self, phones: PhoneBigram, everything: PhoneBigram):
        super().__init__()
        self.phones, self.everything = phones, everything

    def forward(self, scores, sequences, optional, sequences2, optional2):
        """sequences, optional: (batch * choices, positions); the choices of a row stand together.

        sequences2, optional2: (batch, positions), with garbage in the place of words not of the job.
        """
        choices = len(sequences) // len(scores)
        plain = scores[:, :, :-2]
        num = numerator(plain.repeat_interleave(choices, 0), sequences, optional, self.phones)
        num = torch.logsumexp(num.view(len(scores), choices), 1)
        frames = scores[:, :, 0].numel()
        value = (num - denominator(plain, self.phones)).sum() / frames
        mixed = torch.cat([plain.detach(), scores[:, :, -2:]], 2)
        value2 = (
            numerator(mixed, sequences2, optional2, self.everything) - denominator(mixed, self.everything)
        ).sum() / frames
        return value, value2, scores.square().sum(2).mean()
