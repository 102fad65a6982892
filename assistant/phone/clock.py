"""The phone's sample clock: which samples are missing, and how its clock drifts against this machine's.

A block says which of the phone's samples it begins with, so that what the network or the browser dropped shows. Where
the phone's sound itself stood still (a call, a busy phone), its count goes on as if nothing had happened; that shows
only beside a clock.
"""

from __future__ import annotations

from collections import deque

STALL_S = 0.04
"""So much later than before, all blocks of a window together, is a stall and no jitter. Chosen below the 50 ms within
which marks are to be (measured by `make bench-phone`: jitter of a window's earliest block)."""
WINDOW_S = 0.5
"""Of the blocks that are looked at together: the earliest of them is not held up by a busy machine or network."""
LOOK_BACK_S = 10.0
"""What the window is compared with."""
DRIFT_FROM_S = 60.0
"""A drift is told once it was seen for so long: a jitter of 5 ms is less than 100 ppm of it."""


class SampleClock:
    """Follows a phone's blocks. Times are seconds, samples are counted at `rate_hz`, from the first block on.

    `missing` are the samples that were lost and are to be filled with silence, so that the stream's clock goes on.
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.end = 0
        """The phone's own count, after its last block."""
        self.stalled = 0
        """Samples that the phone never counted."""
        self.began_s: float | None = None
        self._began = 0
        self._late: deque[tuple[float, float, float]] = deque()
        self._first_late: float | None = None
        self.drift_ppm: float | None = None
        """By how much the phone's second is longer than ours, in millionths; None while that is not known."""

    def take(self, first: int, count: int, phone_s: float, here_s: float) -> int:
        """Takes note of a block; the samples that are missing before it.

        phone_s, here_s: when it was captured by the phone's clock, and when it came by this machine's. Raises
        ValueError for one that is from before the last.
        """
        if self.began_s is None:
            self.began_s, self._began, self.end = here_s, first, first
        if first < self.end:
            raise ValueError(f"sample {first} after sample {self.end}")
        missing, self.end = first - self.end, first + count
        played_s = (self.end + self.stalled) / self.rate_hz
        self._late.append((here_s, phone_s - played_s, here_s - played_s))
        while here_s - self._late[0][0] > LOOK_BACK_S:
            self._late.popleft()
        stall = self._stall(here_s)
        if stall:
            self.stalled += stall
            self._late = deque((at, own, here) for at, own, here in self._late if here_s - at <= WINDOW_S)
            late_s = stall / self.rate_hz
            self._late = deque((at, own - late_s, here - late_s) for at, own, here in self._late)
        now_late = min(here for _, _, here in self._late)
        if self._first_late is None and here_s - self.began_s >= LOOK_BACK_S:
            self._first_late = now_late
        if self._first_late is not None and self.seconds >= DRIFT_FROM_S:
            self.drift_ppm = (now_late - self._first_late) / (self.seconds - LOOK_BACK_S) * 1e6
        return missing + stall

    def _stall(self, here_s: float) -> int:
        """Samples by which the phone's sound stood still: all blocks are later since, by its clock and by ours. (By its
        own alone, that was set; by ours alone, the network is slower.)"""
        window = [each for each in self._late if here_s - each[0] <= WINDOW_S]
        before = [each for each in self._late if here_s - each[0] > WINDOW_S]
        if not before or here_s - before[0][0] < 2 * WINDOW_S:
            return 0
        late_s = min(min(each[which] for each in window) - min(each[which] for each in before) for which in (1, 2))
        return round(late_s * self.rate_hz) if late_s > STALL_S else 0

    @property
    def seconds(self) -> float:
        """For how long it was followed, by its own count."""
        return (self.end - self._began + self.stalled) / self.rate_hz
