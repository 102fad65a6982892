"""Where an utterance begins and ends, on the fixtures' own sound."""

from __future__ import annotations

import csv
from contextlib import suppress
from types import SimpleNamespace

import numpy as np
import pytest

from assistant.errors import Problem
from assistant.files import library, top_folder
from assistant.language.heard import Heard
from assistant.language.meaning import Question
from assistant.language.phrases import Expected
from assistant.speech.audio import Audio, VisitTrack, read_audio, resample, write_flac
from assistant.speech.devices import MicrophoneLost
from assistant.speech.ears import Ears, Utterance, onset
from assistant.speech.models import user_store
from assistant.speech.recognizer import VoskRecognizer
from assistant.speech.sources import FileSource
from assistant.speech.voice import Voice

VISIT = top_folder("audio_fixtures") / "visits" / "standing-pilot.flac"
RATE = 16000


class ScriptedRecognizer:
    """Hears a fixed text; keeps what it was given."""

    name = "scripted"
    rate_hz = RATE

    def __init__(self, text: str = "yes") -> None:
        self.text = text
        self.samples = 0

    def hearing(self, phrases):
        return self

    def missing(self, words):
        return []

    def accept(self, block):
        self.samples += len(block)

    def finish(self):
        return Heard(self.text)


def spoken() -> list[tuple[float, float, str]]:
    with VISIT.with_suffix(".spoken.tsv").open(encoding="utf-8") as table:
        rows = csv.DictReader((line for line in table if not line.startswith("#")), delimiter="\t")
        return [(float(row["start_s"]), float(row["end_s"]), row["text"]) for row in rows]


def test_every_utterance_of_two_minutes_of_a_visit_is_found_once_and_whole():
    table = [(start, end, text) for start, end, text in spoken() if end < 120]
    ears = Ears(ScriptedRecognizer(), FileSource([VISIT]))
    found = []
    while isinstance(got := ears.listen(["yes"], lambda _: False, 600.0), Utterance) and got.start_s < table[-1][1]:
        found.append((got.start_s, got.start_s + got.audio.seconds))
    assert len(table) > 15
    said = [(start, end) for start, end in found if any(start < to and end > since for since, to, _ in table)]
    assert len(found) - len(said) <= 1  # the blower that comes back after a muted wait
    found = said
    assert len(found) == len(table)
    for (start, end), (said_from, said_to, text) in zip(found, table, strict=True):
        assert start <= said_from + 0.05, text
        assert end >= said_to - 0.05, text


@pytest.mark.parametrize(("grown", "shortest", "longest"), [(False, 0.0, 0.3), (True, 0.5, 0.8), (None, 1.1, 1.4)])
def test_how_long_a_silence_ends_an_utterance_depends_on_the_words(grown, shortest, longest):
    ears = Ears(ScriptedRecognizer(), FileSource([VISIT]))
    got = ears.listen(["yes"], lambda _: grown, 60.0)
    assert isinstance(got, Utterance)
    end_of_speech = spoken()[0][1]
    assert shortest < got.start_s + got.audio.seconds - end_of_speech < longest


def test_nobody_speaks(tmp_path):
    noise = np.random.default_rng(2).normal(0, 300, 8 * RATE).astype(np.int16)
    write_flac(tmp_path / "noise.flac", Audio(noise, RATE))
    ears = Ears(ScriptedRecognizer(), FileSource([tmp_path / "noise.flac"]))
    assert ears.listen(["yes"], lambda _: False, 5.0) == pytest.approx(5.0, abs=0.05)
    assert ears.listen(["yes"], lambda _: False, 5.0) is None


def test_the_clock_goes_on_where_the_stream_was_left():
    first = Ears(ScriptedRecognizer(), FileSource([VISIT]))
    one = first.listen(["yes"], lambda _: False, 60.0)
    two = first.listen(["yes"], lambda _: False, 60.0)
    assert isinstance(one, Utterance)
    assert isinstance(two, Utterance)
    resumed_at = one.start_s + one.audio.seconds
    again = Ears(ScriptedRecognizer(), FileSource([VISIT], from_s=resumed_at), from_s=resumed_at)
    same = again.listen(["yes"], lambda _: False, 60.0)
    assert isinstance(same, Utterance)
    assert same.start_s == pytest.approx(two.start_s, abs=0.1)


@pytest.mark.parametrize("off_s", [0.0, 0.05, 0.09])
def test_the_onset_of_a_word_is_found_near_the_time_that_the_recognizer_gives(off_s):
    sound = np.random.default_rng(3).normal(0, 100, 2 * RATE)
    sound[RATE : RATE + RATE // 4] += 3000 * np.sin(2 * np.pi * 200 * np.arange(RATE // 4) / RATE)
    assert onset(Audio(sound.astype(np.int16), RATE), 1.0 + off_s) == pytest.approx(1.0, abs=0.01)


def test_where_nothing_leaves_the_quiet_the_time_of_the_recognizer_stands():
    sound = np.random.default_rng(3).normal(0, 100, 2 * RATE).astype(np.int16)
    assert onset(Audio(sound, RATE), 1.03) == 1.03


class Words:
    """Hears as many words as it was given blocks that sound; counts the hearings begun."""

    name = "words"
    rate_hz = RATE

    def __init__(self) -> None:
        self.begun = 0

    def missing(self, words):
        return []

    def hearing(self, expected):
        self.begun += 1

        class One:
            blocks = 0

            def accept(self, block):
                self.blocks += bool(np.abs(block).max() > 3000)

            def finish(self):
                return Heard("grows" if self.blocks < 40 else "whole")

        return One()


def test_speech_that_goes_on_after_a_short_silence_is_heard_afresh_and_whole(tmp_path):
    start, end, _ = spoken()[0]
    said = read_audio(VISIT).samples[int(start * RATE) : int(end * RATE)]
    quiet = np.zeros(int(0.35 * RATE), np.int16)
    write_flac(tmp_path / "two.flac", Audio(np.concatenate([quiet, said, quiet, said, *[quiet] * 4]), RATE))
    recognizer = Words()
    ears = Ears(recognizer, FileSource([tmp_path / "two.flac"]))
    got = ears.listen(["yes"], {"grows": True, "whole": False}.get, 60.0)
    assert isinstance(got, Utterance)
    assert recognizer.begun == 2
    assert got.heard.text == "whole"
    assert got.audio.seconds > 2 * (end - start)


class LateSource:
    """A source that captured something while nobody listened, as a microphone does."""

    rate_hz = RATE
    overflows = 0

    def __init__(self) -> None:
        self.speech = [read_audio(VISIT).samples[: 4 * RATE]]

    def take(self, timeout_s):
        if not self.speech:
            raise EOFError
        return self.speech.pop()

    def discard(self):
        return 3 * RATE


def test_what_was_captured_while_the_assistant_spoke_counts_for_the_clock_only():
    ears = Ears(ScriptedRecognizer(), LateSource())
    got = ears.listen(["yes"], lambda _: False, 60.0)
    assert isinstance(got, Utterance)
    assert got.start_s > 3.0


def test_where_the_assistant_did_not_speak_nothing_is_dropped():
    source = LateSource()
    ears = Ears(ScriptedRecognizer(), source)
    assert isinstance(ears.listen(["yes"], lambda _: False, 60.0), Utterance)
    at = ears.position
    assert ears.listen(["yes"], lambda _: False, 60.0) is None  # the rest of it is taken in, and no jump of 3 s made
    assert ears.position - at < 3 * RATE


def test_the_tail_of_the_own_voice_is_let_go():
    ears = Ears(ScriptedRecognizer(), LateSource(), tail_s=4.0)  # the whole of what is there
    assert ears.listen(["yes"], lambda _: False, 60.0) is None


def test_a_source_of_another_rate_is_refused():
    with pytest.raises(ValueError, match="8000 Hz"):
        Ears(ScriptedRecognizer(), FileSource([VISIT], rate_hz=8000))


def test_recordings_follow_each_other_at_one_rate_and_land_on_the_track(tmp_path):
    write_flac(tmp_path / "a.flac", Audio(np.ones(8000, np.int16), 8000))
    write_flac(tmp_path / "b.flac", Audio(np.ones(16000, np.int16), 16000))
    track = VisitTrack(RATE)
    source = FileSource([tmp_path / "a.flac", tmp_path / "b.flac"], track=track)
    taken = 0
    with suppress(EOFError):
        while True:
            taken += len(source.take(0.0))
    assert taken == 2 * RATE
    assert track.seconds == pytest.approx(2.0)


def test_a_recording_that_is_none_is_refused(tmp_path):
    (tmp_path / "x.wav").write_bytes(b"RIFF nothing")
    with pytest.raises(Problem, match=r"x\.wav"):
        FileSource([tmp_path / "x.wav"])


def overheard(recognizer, tmp_path, samples, over=lambda: False):
    """What is overheard in a sound: the interruption, when it was cut off (samples taken), and what was passed."""
    write_flac(tmp_path / "sound.flac", Audio(samples, RATE))
    ears = Ears(recognizer, FileSource([tmp_path / "sound.flac"]))
    cuts, passed = [], []
    expected = Expected(library().language, Question("between"))
    got = ears.overhear(
        expected,
        lambda text: "stop" in text.split(),
        over,
        lambda: cuts.append(ears.position),
        lambda utterance: passed.append(utterance.heard.text),
    )
    return got, cuts, passed


def first_utterances(seconds=9):
    return read_audio(VISIT).samples[: seconds * RATE]


def test_what_counts_cuts_off_once_and_before_its_end_is_known(tmp_path):
    got, cuts, passed = overheard(ScriptedRecognizer("stop"), tmp_path, first_utterances())
    start, end, _ = spoken()[0]
    assert isinstance(got, Utterance)
    assert (len(cuts), passed) == (1, [])
    assert start < cuts[0] / RATE < end
    assert got.start_s + got.audio.seconds > end


def test_the_voice_is_cut_off_by_stop_and_by_nothing_else_that_was_said(tmp_path):
    recognizer = VoskRecognizer(user_store().model_in_use())
    with Voice(tmp_path) as voice:
        stop = resample(voice.render("stop", 140), RATE).samples
    talk = first_utterances()
    said = [text.lower() for start, end, text in spoken() if end < 9]
    got, cuts, passed = overheard(recognizer, tmp_path, np.concatenate([talk, stop, np.zeros(RATE, np.int16)]))
    assert isinstance(got, Utterance)
    assert got.heard.text == "stop"
    assert len(passed) == len(said) >= 2
    assert len(cuts) == 1
    assert cuts[0] > len(talk)


def test_an_answer_that_begins_while_the_assistant_speaks_is_let_go_whole(tmp_path):
    start, end, _ = spoken()[0]
    write_flac(tmp_path / "sound.flac", Audio(first_utterances(), RATE))
    ears = Ears(ScriptedRecognizer("one twenty"), FileSource([tmp_path / "sound.flac"]))
    passed = []
    assert (
        ears.overhear(
            Expected(library().language, Question("between")),
            lambda text: False,
            lambda: ears.now_s > (start + end) / 2,
            lambda: None,
            passed.append,
        )
        is None
    )
    (whole,) = passed
    assert whole.start_s + whole.audio.seconds > end
    following = ears.listen(["yes"], lambda _: False, 60.0)
    assert isinstance(following, Utterance)
    assert following.start_s > end


@pytest.mark.parametrize("before_s", [0.2, 0.1, 0.07, 0.04, 0.0, -0.03, -0.06, -0.1])
def test_words_that_begin_as_a_sentence_ends_are_heard_whole(tmp_path, before_s):
    """The sentence ends so long before they begin, and the next listening begins there."""
    start, end, _ = spoken()[0]
    write_flac(tmp_path / "sound.flac", Audio(first_utterances(), RATE))
    ears = Ears(ScriptedRecognizer("stop"), FileSource([tmp_path / "sound.flac"]))

    def overheard_until(over):
        return ears.overhear(Question("between"), lambda text: text == "stop", over, lambda: None, lambda _: None)

    got = overheard_until(lambda: ears.now_s > start - before_s) or overheard_until(lambda: False)
    assert isinstance(got, Utterance)
    assert got.start_s < start - 0.2  # with the quiet before them
    assert got.start_s + got.audio.seconds > end


class PulledOut:
    """A microphone that is pulled out after some seconds."""

    rate_hz = RATE
    overflows = 0

    def __init__(self, seconds):
        self.sound = [first_utterances()[: round(seconds * RATE)]]

    def take(self, timeout_s):
        if not self.sound:
            raise MicrophoneLost("It was pulled out.")
        return self.sound.pop()

    def discard(self):
        return 0


@pytest.mark.parametrize("known", [True, False])
def test_what_cut_the_voice_off_counts_though_the_microphone_is_lost_before_its_end(known):
    start, end, _ = spoken()[0]
    assert end - start > 0.6
    ears = Ears(ScriptedRecognizer("stop" if known else "yes"), PulledOut(end - 0.1))
    cuts = []

    def overhear():
        return ears.overhear(
            Question("between"), lambda text: text == "stop", lambda: False, lambda: cuts.append(1), lambda _: None
        )

    if not known:
        with pytest.raises(MicrophoneLost):
            overhear()
        return
    got = overhear()
    assert isinstance(got, Utterance)
    assert (got.heard.text, cuts) == ("stop", [1])
    assert got.audio.seconds > 0.5


def test_over_a_loss_the_clock_goes_on_from_the_last_sound(monkeypatch, tmp_path):
    now = SimpleNamespace(monotonic=lambda: now.s, perf_counter=lambda: now.s, s=100.0)
    monkeypatch.setattr("assistant.speech.ears.time", now)
    write_flac(tmp_path / "quiet.flac", Audio(np.zeros(2 * RATE, np.int16), RATE))
    ears = Ears(ScriptedRecognizer(), FileSource([tmp_path / "quiet.flac"]))
    assert ears.listen([], lambda _: False, 1.0) == pytest.approx(1.0, abs=0.05)
    before_s = ears.now_s
    now.s += 4.0  # no sound came for 1.5 s, then the device was away for 2.5 s
    ears.restart(2.5)
    assert ears.now_s - before_s == pytest.approx(4.0, abs=0.01)
