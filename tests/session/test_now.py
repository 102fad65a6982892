"""What a visit tells of itself for a screen beside it: by what really happens, and never in its way."""

from __future__ import annotations

import os
import time
from types import SimpleNamespace

import numpy as np
import pytest

from assistant.language.heard import Heard
from assistant.language.phrases import Expected
from assistant.session.now import NAME, STALE_S, Now, read
from assistant.speech.ears import Ears


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_what_is_played_is_told_while_it_is_played_and_then_that_it_listens(tmp_path, clock):
    now = Now(tmp_path, clock)
    for text in ("Warm up time.", "Say mark at the glow."):
        now.speaking(text)
        assert read(tmp_path).doing == "speaking"
    assert read(tmp_path).says == "Warm up time. Say mark at the glow."
    now.listening()
    assert (read(tmp_path).doing, read(tmp_path).says) == ("listening", "Warm up time. Say mark at the glow.")
    now.speaking("Taken.")
    assert read(tmp_path).says == "Taken."
    now.over()
    assert read(tmp_path).doing == "over"


def test_while_it_listens_the_file_is_replaced_once_a_second(tmp_path, clock):
    now = Now(tmp_path, clock)
    now.listening()
    first = (tmp_path / NAME).stat().st_ino
    clock.now_s = 0.9
    now.listening()
    assert (tmp_path / NAME).stat().st_ino == first
    clock.now_s = 1.1
    now.listening()
    assert (tmp_path / NAME).stat().st_ino != first


def test_without_a_sign_of_life_it_is_not_fresh(tmp_path):
    now = Now(tmp_path)
    now.listening()
    assert read(tmp_path).fresh
    then = time.time() - STALE_S - 1
    os.utime(tmp_path / NAME, (then, then))
    assert not read(tmp_path).fresh


def test_only_sound_that_is_taken_keeps_it_listening():
    """The ears tell of each chunk that they listen to, and of none that the source does not give."""
    taken: list[int] = []

    class Hearing:
        def accept(self, block) -> None: ...

        def finish(self) -> Heard:
            return Heard("")

    recognizer = SimpleNamespace(rate_hz=16000, name="none", hearing=lambda expected: Hearing())
    blocks = [np.zeros(1600, np.int16)] * 10

    def take(timeout_s):
        if not blocks:
            raise EOFError
        return blocks.pop()

    source = SimpleNamespace(rate_hz=16000, overflows=0, discard=lambda: 0, take=take)
    ears = Ears(recognizer, source)  # type: ignore[arg-type]
    ears.took = lambda: taken.append(1)
    assert ears.listen(Expected(None, None), lambda text: None, 30.0) is None  # type: ignore[arg-type]
    assert len(taken) == 32  # one second, in chunks of 512 samples, the last filled up


@pytest.mark.parametrize("content", [b"", b"no json", b"[]", b'{"doing": "listening"}'])
def test_a_file_that_is_none_is_nothing(tmp_path, content):
    (tmp_path / NAME).write_bytes(content)
    assert read(tmp_path) is None
    assert read(tmp_path / "nowhere") is None


def test_a_file_that_cannot_be_written_disturbs_nothing(tmp_path):
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    now = Now(tmp_path / "file")
    now.listening()
    now.speaking("Taken.")
    assert (tmp_path / "file").read_text(encoding="utf-8") == "in the way"
