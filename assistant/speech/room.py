"""What the room does to speech: its noise, how a person sounds in the microphone, what comes back of the own voice.

Levels are in dB below full scale (dBFS) of the sound as the recognizer gets it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from assistant.language.heard import TOO_LOUD_DB
from assistant.speech.audio import FULL_SCALE, Audio, Samples, resample
from assistant.speech.ears import Utterance
from assistant.speech.levels import FRAME_S, level_db, spoken_db, without_noise_db
from assistant.speech.microphone import Captured
from assistant.speech.player import Player
from assistant.speech.voice import Voice

# Speech to noise, measured with the bundled model on voices and people that it was not trained on (docs/hearing.md):
# of 335 readings 95 % were right in quiet, 90 % at 20 dB, 82 % at 10 dB and 69 % at 5 dB.
NEAR_DB = 20.0
TOO_FAR_DB = 10.0

QUIET_S = 2.0
"""Of the room's noise, that are measured."""
AFTER_S = 1.5  # listened to after the own voice has ended: longer than any echo of a house
MARGIN_S = 0.1  # added to the tail that was measured: rooms differ from place to place (chosen, not measured)
LEAST_TAIL_S = 0.1
ABOVE_NOISE_DB = 6.0  # what is less above the noise is no voice to the detector
# Likeness of what was played and what was heard. Measured on the fixtures: noises gave at most 0.03, other speech
# at most 0.20 (62 pieces); the voice itself 0.30 where it is 2 dB over white noise, 0.53 at 8 dB.
SURE = 0.22
CLIPPED = 0.99 * FULL_SCALE

BE_QUIET = "Be quiet for three seconds. I measure the room."
OWN_VOICE = "This is my own voice. I measure what comes back to the microphone."
SAY_SENTENCE = "Now say, as you would at work, one hundred and twenty volts."
MEASURED = "Measured."


@dataclass(frozen=True)
class OwnVoice:
    """What came back of the own voice."""

    delay_s: float | None  # from starting to play a sound to its beginning in the microphone; None: nothing came
    over_noise_db: float  # its level against that of the noise
    after_s: float  # for how long it was still heard when playing had ended


@dataclass(frozen=True)
class Room:
    """What was measured. speech_dbfs is None where nobody spoke."""

    noise_dbfs: float
    own: OwnVoice
    speech_dbfs: float | None = None
    speech_to_noise_db: float | None = None
    clipped: bool = False
    heard: str = ""

    @property
    def tail_s(self) -> float:
        """The time after the own voice in which nothing is to be heard, in whole steps of 0.05 s."""
        return max(LEAST_TAIL_S, math.ceil((self.own.after_s + MARGIN_S) / 0.05 - 1e-6) * 0.05)

    @property
    def sentence(self) -> str:
        """Whether this microphone in this room is good enough, from the measured curve (docs/hearing.md)."""
        return {
            "near enough": "Good enough: about nine readings in ten are heard right at the first try.",
            "nearer is heard better": "It works, with repeats: eight or nine readings in ten are heard right at the "
            "first try. A microphone nearer to the mouth, or a headset, is heard better.",
            "too far": "Not good enough: less than eight readings in ten are heard right at the first try. "
            f"Take the microphone nearer to the mouth, or a headset. Where speech is less than {TOO_LOUD_DB:g} dB over "
            "the noise, a visit needs a yes to every reading.",
            "not measured": "Not known: no words were heard. Say the sentence again, louder or nearer.",
        }[self.distance]

    @property
    def distance(self) -> Literal["near enough", "nearer is heard better", "too far", "not measured"]:
        """How the microphone stands to the mouth, by speech to noise."""
        if self.speech_to_noise_db is None:
            return "not measured"
        if self.speech_to_noise_db < TOO_FAR_DB:
            return "too far"
        return "near enough" if self.speech_to_noise_db >= NEAR_DB else "nearer is heard better"


def own_voice(played: Samples, heard: Samples, playing_s: float, noise_dbfs: float, rate_hz: int) -> OwnVoice:
    """What came back of `played` in `heard`, which was captured from the start of playing on.

    playing_s: when playing had ended, by the clock of `heard`.
    """
    # Differences instead of samples: the noise of a blower is deep and would hide the likeness.
    model, sound = (np.diff(each.astype(np.float64)) for each in (played, heard))
    size = 1 << (len(model) + len(sound)).bit_length()
    like = np.abs(np.fft.irfft(np.fft.rfft(sound, size) * np.conj(np.fft.rfft(model, size)), size)[: len(sound)])
    at = int(np.argmax(like))
    there = sound[at : at + len(model)]
    strength = float(np.linalg.norm(model) * np.linalg.norm(there))
    if strength == 0 or like[at] / strength < SURE:
        return OwnVoice(None, 0.0, 0.0)
    over = level_db(heard[at : at + len(played)]) - noise_dbfs
    step = round(FRAME_S * rate_hz)
    after = heard[round(playing_s * rate_hz) :]
    loud = [
        n for n in range(len(after) // step) if level_db(after[n * step : (n + 1) * step]) > noise_dbfs + ABOVE_NOISE_DB
    ]
    return OwnVoice(at / rate_hz, over, (loud[-1] + 1) * FRAME_S if loud else 0.0)


def measure(
    microphone: Captured,
    player: Player,
    voice: Voice,
    listen: Callable[[], Utterance | float | None],
    tell: Callable[[str], None],
) -> Room:
    """Measures the room with a person in it, who is told aloud what to do.

    listen: hears one utterance in the same microphone. tell: shows each sentence too.
    """

    def say(text: str) -> Audio:
        tell(text)
        sound = voice.render(text)
        player.play(sound)
        return sound

    def take(seconds: float) -> Samples:
        blocks: list[Samples] = []
        while sum(len(block) for block in blocks) < seconds * microphone.rate_hz:
            block = microphone.take(FRAME_S)
            if block is not None:
                blocks.append(block)
        return np.concatenate(blocks)

    say(BE_QUIET)
    microphone.discard()
    take(1.0)  # the last of the own voice, and people fall silent
    noise = level_db(take(QUIET_S))

    microphone.discard()
    sound = say(OWN_VOICE)
    playing_s = microphone.waiting_s
    came_back = take(playing_s + AFTER_S)
    own = own_voice(resample(sound, microphone.rate_hz).samples, came_back, playing_s, noise, microphone.rate_hz)

    say(SAY_SENTENCE)
    got = listen()
    if not isinstance(got, Utterance):
        return Room(noise, own)
    level = spoken_db(got.audio, got.heard.words)
    ratio = None if level is None else without_noise_db(level, noise) - noise
    clipped = bool(np.abs(got.audio.samples.astype(np.int32)).max() >= CLIPPED)
    room = Room(noise, own, level, ratio, clipped, got.heard.text)
    say(MEASURED)
    return room
