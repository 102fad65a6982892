"""What is worked out of sounds that are known."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.files import top_folder
from assistant.speech.audio import read_audio
from assistant.speech.levels import level_db
from assistant.speech.room import OwnVoice, Room, own_voice

RATE = 16_000
SENTENCE = read_audio(top_folder("audio_fixtures") / "visits" / "hot-surface.flac").samples[: 3 * RATE]


def noise(seconds: float, level: float = 60, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, level, round(seconds * RATE))


@pytest.mark.parametrize(("delay_s", "gain"), [(0.1, 1.0), (0.35, 0.2)])
def test_delay_and_tail_of_a_leak_are_found(delay_s, gain):
    heard = noise(6.0)
    at = round(delay_s * RATE)
    loud = np.flatnonzero(np.abs(SENTENCE) > 2000)[-1] / RATE  # where its last sound is
    heard[at : at + len(SENTENCE)] += gain * SENTENCE
    own = own_voice(SENTENCE, heard.astype(np.int16), loud, level_db(noise(1).astype(np.int16)), RATE)
    assert own.delay_s == pytest.approx(delay_s, abs=0.002)
    assert own.after_s >= delay_s - 0.03


@pytest.mark.parametrize("seed", range(5))
def test_noise_and_another_sentence_are_no_leak(seed):
    other = read_audio(top_folder("audio_fixtures") / "visits" / "gas-odour.flac").samples
    at = seed * 2 * RATE
    for heard in (noise(5, 500, seed).astype(np.int16), other[at : at + 5 * RATE]):
        assert own_voice(SENTENCE, heard, 3.0, -55.0, RATE).delay_s is None


@pytest.mark.parametrize(
    ("ratio", "told"), [(None, "not measured"), (9.9, "too far"), (10.0, "nearer is heard better"), (20, "near enough")]
)
def test_what_speech_to_noise_says_of_the_distance(ratio, told):
    assert Room(-50, OwnVoice(None, 0, 0), -20, ratio).distance == told


@pytest.mark.parametrize(
    ("ratio", "begins"), [(None, "Not known"), (9.9, "Not good enough"), (10.0, "It works"), (20, "Good enough")]
)
def test_one_sentence_says_whether_the_microphone_is_good_enough(ratio, begins):
    assert Room(-50, OwnVoice(None, 0, 0), -20, ratio).sentence.startswith(begins)


@pytest.mark.parametrize(("after_s", "tail_s"), [(0.0, 0.1), (0.1, 0.2), (0.26, 0.4), (0.6, 0.7)])
def test_the_tail_covers_what_was_heard(after_s, tail_s):
    assert Room(-50, OwnVoice(0.1, 20, after_s)).tail_s == pytest.approx(tail_s)
