"""A whole recorded visit in a real Chromium, in real time (half an hour): `make live-test`.

Its microphone is fed from the recording, which stands still while the assistant speaks, as people do who wait for their
turn. The record is that of the same visit from audio files.
"""

from __future__ import annotations

import itertools
import subprocess
import sys
import time

import numpy as np
import pytest
from pocket import RATE_HZ, PhoneVisit, Pocket
from recorded import FIXTURES, held, real_job, spoken

from assistant.record.fold import turns
from assistant.record.record import Record, seal_of
from assistant.speech.audio import read_audio

NAME = "hot-surface-brief"
BEFORE_S = 0.3  # of the recording, before what is said again


def entries(path):
    with Record.open(path, read_only=True) as record:
        assert record.verify() == []
        assert all(turn.same for turn in turns(record))
        return [(entry.kind, entry.body) for entry in record.entries()]


def by_files(folder, job):
    command = [sys.executable, "-m", "assistant", "visit", "--job", job, "--folder", folder]
    subprocess.run([*command, "--from-audio", FIXTURES / f"{NAME}.flac"], check=True, capture_output=True)
    return entries(next(folder.rglob("visit.sqlite")))


def play(visit: PhoneVisit, sound: np.ndarray, starts_s: list[float]) -> int:
    """Plays the recording in turn to the end of the visit; how often something was said again, since it was unclear."""
    at_s, again = 0.0, 0
    while visit.process.poll() is None:
        visit.hear_out(600)
        kinds = [kind for kind, _ in notes(visit)]
        since_said = kinds[::-1][: kinds[::-1].index("said")] if "said" in kinds else ()
        if "unclear" in since_said:
            at_s, again = max(start for start in starts_s if start < at_s) - BEFORE_S, again + 1
        visit.pocket.page.evaluate("voiced = false")
        visit.pocket.say(sound[round(at_s * RATE_HZ) :])
        began = time.monotonic()
        while not visit.pocket.now()["words"] and visit.process.poll() is None:
            time.sleep(0.02)
        at_s = min(at_s + time.monotonic() - began, len(sound) / RATE_HZ - 1)
        visit.pocket.say(np.zeros(0, np.int16))
    return again


def notes(visit):
    with Record.open(visit.record, read_only=True) as record:
        return [(entry.kind, entry.body) for entry in record.entries()]


def marks(made):
    """The times of the marks from one to the next, by step."""
    at = [(body["step"], body["at_s"]) for kind, body in made if kind == "mark"]
    return [(step, then - before) for (of, before), (step, then) in itertools.pairwise(at) if step == of]


@pytest.mark.timeout(3600)
def test_a_whole_visit_by_phone_is_that_from_audio_files(playwright, tmp_path, capsys):
    job = real_job(NAME, tmp_path)
    sound = read_audio(FIXTURES / f"{NAME}.flac").samples
    starts_s = [float(row["start_s"]) for row in spoken(NAME)]
    folder = tmp_path / "phone"
    folder.mkdir()
    with Pocket(playwright, folder) as pocket, PhoneVisit(pocket, job, folder, "--phone-address", "localhost") as visit:
        pocket.join(*visit.addresses())
        again = play(visit, sound, starts_s)
        assert visit.process.returncode == 0, visit.output[-3000:]
    made, meant = entries(visit.record), by_files(tmp_path / "files", job)
    lost = [body for kind, body in made if kind == "device"]
    with capsys.disabled():
        print(f"\nsaid again: {again}; of the devices: {lost}")
        for by_phone, by_file in zip(marks(made), marks(meant), strict=False):
            print(f"  {by_phone[0]:20} {by_phone[1]:7.3f} s, from the file {by_file[1]:7.3f} s")

    def decided(entries):
        return [held(*entry) for entry in entries if entry[0] != "unclear" and held(*entry)]

    assert decided(made) == decided(meant)
    assert len(decided(made)) > 60
    assert [step for step, _ in marks(made)] == [step for step, _ in marks(meant)]
    assert [s for _, s in marks(made)] == pytest.approx([s for _, s in marks(meant)], abs=0.05)
    assert seal_of(visit.record).exists()
