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
from recorded import FIXTURES, entries, held, real_job, spoken

from assistant.dialogue.state import Phase, State
from assistant.language.heard import NOT_WORDS
from assistant.record.fold import turns
from assistant.record.record import Record, seal_of
from assistant.speech.audio import read_audio

WAIT_S = 5.0  # a longer pause in the recording was asked for
BREATH_S = 0.5  # a shorter pause ends no utterance
BEFORE_S = 1.0  # of the recording's noise, around what is said


def by_files(folder, job, name):
    command = [sys.executable, "-m", "assistant", "visit", "--job", job, "--folder", folder]
    subprocess.run([*command, "--from-audio", FIXTURES / f"{name}.flac"], check=True, capture_output=True)
    return entries(next(folder.rglob("visit.sqlite")))


def breaths(name: str) -> list[dict[str, str]]:
    """What is said in the recording: what is in one breath is one utterance."""
    rows: list[dict[str, str]] = []
    for row in spoken(name):
        if rows and float(row["start_s"]) - float(rows[-1]["end_s"]) < BREATH_S:
            rows[-1] = {**rows[-1], "end_s": row["end_s"]}
        else:
            rows.append(row)
    return rows


def play(visit: PhoneVisit, sound: np.ndarray, rows: list[dict[str, str]], meant: list[dict]) -> int:
    """Plays the recording in turn until all of it was heard as it was from the file; how often something was said
    again. meant: what was said there, row by row; free speech is never twice the same.

    A read-back that was asked only here, or only there, is answered or left out: what decides it is how sure the
    recognizer was.
    """
    at, again, ready_s, heard, right = 0, 0, 0.0, 0, True
    texts = [body["heard"]["text"] for body in meant]
    while visit.pocket.turn() or visit.process.poll() is None:
        if not visit.pocket.turn():
            time.sleep(0.05)
            continue
        said, state = now(visit)
        for text in said[heard:]:
            extra = text in ("yes", "no") and text != texts[at]  # to a read-back that was asked only here
            right = right if extra else text == texts[at] or NOT_WORDS in texts[at]
            at, again = at + (right and not extra), again + (not right)
            if at < len(rows) and right and not extra and at:
                pause_s = float(rows[at]["start_s"]) - float(rows[at - 1]["end_s"])
                ready_s = time.monotonic() + (pause_s if pause_s > WAIT_S else 0.0)
        heard = len(said)
        confirming = state.phase is Phase.CONFIRMING
        while at < len(rows) and meant[at]["question"] == "confirming" and not confirming:
            at += 1
        if at == len(rows):
            break
        begin, end = at, len(rows)
        if confirming and meant[at]["question"] != "confirming":
            begin = texts.index("yes" if right else "no")
            end = begin + 1
        elif time.monotonic() < ready_s:  # a step asked for a wait
            time.sleep(0.1)
            continue
        from_s, to_s = float(rows[begin]["start_s"]) - BEFORE_S, float(rows[end - 1]["end_s"]) + BEFORE_S
        visit.pocket.page.evaluate("voiced = false")
        visit.pocket.say(sound[round(from_s * RATE_HZ) : round(to_s * RATE_HZ)])
        until = time.monotonic() + to_s - from_s + 10
        while not visit.pocket.now()["words"] and visit.process.poll() is None and time.monotonic() < until:
            time.sleep(0.02)
        visit.pocket.say(np.zeros(0, np.int16))
    return again


def now(visit: PhoneVisit) -> tuple[list[str], State]:
    """What was said so far, and the state of the visit."""
    with Record.open(visit.record, read_only=True) as record:
        said = [entry.body["heard"]["text"] for entry in record.entries() if entry.kind == "said"]
        *_, last = turns(record)
    return said, last.after


def marks(made):
    """The times of the marks from one to the next, by step."""
    at = [(body["step"], body["at_s"]) for kind, body in made if kind == "mark"]
    return [(step, then - before) for (of, before), (step, then) in itertools.pairwise(at) if step == of]


@pytest.mark.timeout(3600)
@pytest.mark.parametrize(("name", "closes", "most"), [("gas-odour", False, 5), ("hot-surface-brief", True, 60)])
def test_a_whole_visit_by_phone_is_that_from_audio_files(playwright, tmp_path, capsys, name, closes, most):
    job = real_job(name, tmp_path)
    sound = read_audio(FIXTURES / f"{name}.flac").samples
    meant = by_files(tmp_path / "files", job, name)
    heard = [body for kind, body in meant if kind == "said"]
    assert len(heard) == len(breaths(name))
    folder = tmp_path / "phone"
    folder.mkdir()
    with Pocket(playwright, folder) as pocket, PhoneVisit(pocket, job, folder, "--phone-address", "localhost") as visit:
        pocket.join(*visit.addresses())
        again = play(visit, sound, breaths(name), heard)
        if closes:
            assert visit.process.wait(60) == 0, visit.output[-3000:]
        else:
            visit.stop()
    made = entries(visit.record)
    lost = [body for kind, body in made if kind == "device"]

    def decided(entries):
        return [held(*entry) for entry in entries if entry[0] != "unclear" and held(*entry)]

    with capsys.disabled():
        print(f"\n{name}: {len(decided(made))} decisions, from the file {len(decided(meant))}; said again: {again}")
        print(f"  of the devices: {lost}")
        for by_phone, by_file in zip(marks(made), marks(meant), strict=False):
            print(f"  {by_phone[0]:20} {by_phone[1]:7.3f} s, from the file {by_file[1]:7.3f} s")

    assert decided(made) == decided(meant)
    assert len(decided(made)) > most
    assert [step for step, _ in marks(made)] == [step for step, _ in marks(meant)]
    assert [s for _, s in marks(made)] == pytest.approx([s for _, s in marks(meant)], abs=0.05)
    assert seal_of(visit.record).exists() == closes
