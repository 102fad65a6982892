"""Both ways of the sound of a visit, lost and found again."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.errors import Problem
from assistant.speech.audio import Audio
from assistant.speech.player import Played, PlayerError
from assistant.speech.route import SoundRoute

SOUND = Audio(np.ones(100, np.int16), 16_000)


class Device:
    """A microphone or loudspeaker; `gone` is why it is not there. What happens to it is written into `log`."""

    def __init__(self, name, log, gone=None):
        self.name, self.log, self.gone = name, log, gone
        self.route = {"name": name}

    def close(self):
        self.log.append(f"{self.name} closed")

    def reopen(self):
        self.log.append(f"{self.name} opened")
        if self.gone:
            raise self.gone

    look = reopen

    def play(self, sound):
        if self.gone:
            raise self.gone
        return Played(len(sound.samples), len(sound.samples), sound.rate_hz)


class Library:
    """The sound library, which knows devices only from when it was started."""

    PortAudioError = OSError

    def __init__(self, log):
        self.log = log

    def _terminate(self):
        self.log.append("library ended")

    def _initialize(self):
        self.log.append("library started")

    def query_devices(self, device, kind):
        raise ValueError("no such device")


@pytest.fixture
def log():
    return []


def route(log, microphone=None, loudspeaker=None, helper=None):
    devices = [Device("microphone", log, microphone), Device("loudspeaker", log, loudspeaker)]
    return SoundRoute(*devices, Library(log), helper=Device("helper", log, helper) if helper is not False else None)


def test_every_stream_is_closed_before_the_library_looks_anew(log):
    assert route(log).recover()
    assert log == [
        "microphone closed",
        "helper closed",
        "library ended",
        "library started",
        "loudspeaker opened",
        "microphone opened",
        "helper opened",
    ]


@pytest.mark.parametrize(("gone", "there"), [("microphone", False), ("loudspeaker", False), ("helper", True)])
def test_the_visit_needs_both_ways_but_no_helper(log, gone, there):
    assert route(log, **{gone: Problem(f"No {gone} was found; plug one in.")}).recover() is there


def test_the_record_names_the_helpers_microphone_only_where_there_is_one(log):
    assert sorted(route(log).facts) == ["helper_microphone", "loudspeaker", "microphone"]
    assert sorted(route(log, helper=False).facts) == ["loudspeaker", "microphone"]


def test_where_no_loudspeaker_is_left_nothing_sounds_and_nothing_fails(log):
    assert route(log).tell(SOUND)
    assert not route(log, loudspeaker=PlayerError("it was pulled out")).tell(SOUND)
