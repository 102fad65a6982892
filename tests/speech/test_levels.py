"""Levels of sound, and of speech over its noise."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.language.heard import HeardWord
from assistant.speech.audio import Audio
from assistant.speech.levels import level_db, over_noise_db, spoken_db, without_noise_db

RATE = 16_000
WORDS = (HeardWord("one", 0.5, 0.8, 1.0), HeardWord("twenty", 0.8, 1.0, 1.0))


def noisy(noise: float, speech: float) -> Audio:
    """Two seconds of noise, in which the words of WORDS are as loud again; levels in int16 steps."""
    rng = np.random.default_rng(3)
    sound = rng.normal(0, noise, 2 * RATE)
    sound[RATE // 2 : RATE] += rng.normal(0, speech, RATE // 2)
    return Audio(sound.astype(np.int16), RATE)


def test_a_level_is_that_of_full_scale():
    assert level_db(np.full(RATE, 16_384, np.int16)) == pytest.approx(-6.02, abs=0.01)
    assert level_db(np.zeros(RATE, np.int16)) == pytest.approx(-90.3, abs=0.1)


def test_the_level_of_speech_is_that_between_its_words():
    sound = np.zeros(2 * RATE, np.int16)
    sound[RATE // 2 : RATE] = 3276
    assert spoken_db(Audio(sound, RATE), WORDS) == pytest.approx(-20.0, abs=0.1)
    assert spoken_db(Audio(sound, RATE), ()) is None


@pytest.mark.parametrize("ratio_db", [20.0, 10.0, 5.0, 0.0])
def test_speech_over_noise_is_the_ratio_of_their_powers(ratio_db):
    sound = noisy(300.0, 300.0 * 10 ** (ratio_db / 20))
    assert over_noise_db(sound, WORDS) == pytest.approx(ratio_db, abs=0.5)


def test_speech_without_words_or_without_noise_beside_it_is_not_measured():
    assert over_noise_db(noisy(300.0, 3000.0), ()) is None
    whole = (HeardWord("one", 0.0, 2.0),)
    assert over_noise_db(noisy(300.0, 3000.0), whole) is None


def test_two_sounds_of_one_level_are_three_decibels_more():
    assert without_noise_db(-20.0 + 3.01, -20.0) == pytest.approx(-20.0, abs=0.01)
