"""Two microphones, a technician's and a helper's, that hear the same room."""

from __future__ import annotations

from contextlib import suppress

import numpy as np
import pytest

from assistant.files import top_folder
from assistant.language.heard import Heard
from assistant.speech.audio import read_audio
from assistant.speech.devices import MicrophoneLost
from assistant.speech.ears import Ears, Utterance

RATE = 16_000
BLOCK = 320
VISIT = read_audio(top_folder("audio_fixtures") / "visits" / "hot-surface.flac").samples
WORD = VISIT[round(1.9 * RATE) : round(3.238 * RATE)]  # without the recording's own noise around it


class Device:
    """A microphone that gives a block each time the technician's is waited for, and is lost at its end."""

    rate_hz = RATE
    overflows = 0

    def __init__(self, sound):
        self.sound = np.clip(sound, -32768, 32767).astype(np.int16)
        self.at = 0
        self.ready = True

    def discard(self):
        return 0

    def take(self, timeout_s):
        if self.at >= len(self.sound):
            raise MicrophoneLost("it has ended")
        if timeout_s == 0:  # the helper's: one block a round
            self.ready = not self.ready
            if self.ready:
                return None
        self.at += BLOCK
        return self.sound[self.at - BLOCK : self.at]


class ByLevel:
    """Hears `loud` words where the sound is loud, else `faint` ones."""

    name = "by level"
    rate_hz = RATE

    def __init__(self, loud="mark", faint="mark"):
        self.loud, self.faint = loud, faint

    def missing(self, words):
        return []

    def hearing(self, expected):
        outer = self

        class One:
            level = 0

            def accept(self, block):
                self.level = max(self.level, int(np.abs(block.astype(int)).max()))

            def finish(self):
                return Heard(outer.loud if self.level > 3000 else outer.faint)

        return One()


def room(*gains_at, seconds=9.0):
    """Noise with the word in it, (gain, second) each."""
    sound = np.random.default_rng(2).normal(0, 20, round(seconds * RATE))
    for gain, at in gains_at:
        start = round(at * RATE)
        sound[start : start + len(WORD)] += gain * WORD
    return sound


def heard(technician, helper, recognizer=None):
    """Everything that is heard: pairs (microphone, words), and the ears."""
    always = ("stop", "i smell gas").__contains__
    ears = Ears(recognizer or ByLevel(), Device(technician), helper=Device(helper), always=always)
    found = []
    with suppress(MicrophoneLost):  # that of the technician: its sound is over
        while isinstance(got := ears.listen(["mark"], lambda _: False, 60.0), Utterance):
            found.append(got)
    return found, ears


@pytest.mark.parametrize(
    ("technician", "helper", "by"),
    [(0.0, 1.0, "helper"), (1.0, 0.0, "technician"), (0.1, 1.0, "helper"), (1.0, 0.1, "technician")],
)
def test_who_speaks_is_heard_once_by_the_microphone_that_hears_it_best(technician, helper, by):
    (got,), _ = heard(room((technician, 1.0)), room((helper, 1.0)))
    assert (got.microphone, got.heard.text) == (by, "mark")


@pytest.mark.parametrize("later_s", [0.0, 0.15])
def test_marks_that_both_hear_count_once_each_and_keep_their_distance(later_s):
    technician = room((0.2, 0.5), (0.2, 4.5))
    helper = room((1.0, 0.5 + later_s), (1.0, 4.5 + later_s))
    found, _ = heard(technician, helper)
    assert [got.microphone for got in found] == ["helper", "helper"]
    assert found[1].start_s - found[0].start_s == pytest.approx(4.0, abs=0.07)


def test_an_emergency_counts_though_the_other_microphone_hears_somebody_more_clearly():
    found, _ = heard(room((0.1, 1.0)), room((1.0, 1.0)), ByLevel(loud="one twenty", faint="i smell gas"))
    assert ("technician", "i smell gas") in [(got.microphone, got.heard.text) for got in found]


def test_where_the_helpers_microphone_is_lost_the_other_goes_on():
    found, ears = heard(room((1.0, 1.0), (1.0, 5.0)), room((0.0, 0.0), seconds=3.0))
    assert [got.microphone for got in found] == ["technician", "technician"]
    assert ears.helper_lost == "it has ended"
