"""The phone's sample clock: what is missing, what stood still, and what is only late."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.phone.clock import STALL_S, SampleClock

RATE, BLOCK = 16_000, 384


def follow(seconds, happened=lambda n: (0, 0.0, 0.0), ppm=0.0):
    """Blocks of a phone in jitter; happened(n): samples dropped before block n, and how much later it is from then on
    by the phone's clock, and by ours. The clock, and what was missing in all."""
    clock, chance = SampleClock(RATE), np.random.default_rng(1)
    first = missing = 0
    for n in range(round(seconds * RATE / BLOCK)):
        dropped, own_s, here_s = happened(n)
        first += dropped
        at_s = (first + BLOCK) / RATE * (1 + ppm / 1e6)
        missing += clock.take(first, BLOCK, 1e9 + at_s + own_s, at_s + here_s + chance.exponential(0.01))
        first += BLOCK
    return clock, missing


def test_nothing_is_missing_where_only_the_network_holds_blocks_up():
    def slow(n):
        return 0, 0.0, (0.3 if n > 400 else 0.0) + (0.9 if n % 200 < 20 else 0.0)

    assert follow(30, slow)[1] == 0


def test_a_dropped_block_is_missing_by_its_length():
    clock, missing = follow(10, lambda n: (BLOCK if n == 200 else 0, 0.0, 0.0))
    assert missing == BLOCK
    assert clock.seconds == pytest.approx(10 + BLOCK / RATE, abs=0.03)


@pytest.mark.parametrize("still_s", [0.06, 0.3, 1.0])
def test_where_the_phone_s_sound_stands_still_as_much_is_missing(still_s):
    clock, missing = follow(20, lambda n: (0, still_s * (n > 400), still_s * (n > 400)))
    assert missing / RATE == pytest.approx(still_s, abs=0.03)
    assert clock.stalled == missing


def test_a_phone_whose_time_of_day_is_set_has_lost_nothing():
    assert follow(20, lambda n: (0, 5.0 * (n > 400), 0.0))[1] == 0
    assert follow(20, lambda n: (0, -5.0 * (n > 400), 0.0))[1] == 0


@pytest.mark.parametrize("ppm", [-200.0, 0.0, 150.0])
def test_its_drift_is_known_after_a_minute_and_is_no_gap(ppm):
    clock, missing = follow(50, ppm=ppm)
    assert clock.drift_ppm is None
    clock, missing = follow(200, ppm=ppm)
    assert clock.drift_ppm == pytest.approx(ppm, abs=30)
    assert missing == 0


def test_a_drift_that_adds_up_to_more_than_a_stall_within_the_look_back_is_told_as_one():
    assert STALL_S < 10 * 0.01  # a clock that is off by a hundredth is no sample clock
    assert follow(30, ppm=10_000)[1] > 0


def test_a_block_from_before_is_no_block():
    clock = SampleClock(RATE)
    clock.take(1000, BLOCK, 0.0, 0.0)
    with pytest.raises(ValueError, match="sample 1000 after"):
        clock.take(1000, BLOCK, 0.1, 0.1)
