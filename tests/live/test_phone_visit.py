"""A short visit by phone, in a real Chromium whose microphone is fed from a file."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from pocket import RATE_HZ, PhoneVisit, Pocket
from recorded import entries, held, real_job
from technician import Clips

from assistant.speech.audio import Audio, write_flac
from assistant.wording.english import ALARMS

MARKS_S = 3.0  # from the end of one mark to the beginning of the next


@pytest.fixture
def pocket(playwright, tmp_path):
    with Pocket(playwright, tmp_path) as pocket:
        yield pocket
        assert pocket.complaints == []


def test_a_visit_by_phone_is_the_visit_by_audio_files_and_outlasts_its_network(pocket, tmp_path, cache):
    job, clips = real_job("hot-surface-brief", tmp_path), Clips(tmp_path / "clips")
    first = clips["mark one"]
    marks = np.concatenate([first, np.zeros(round(MARKS_S * RATE_HZ), np.int16), first])
    said = [clips["three parts per million"], clips["yes"], marks, clips["no"]]
    with PhoneVisit(pocket, job, tmp_path, "--phone-address", "localhost", cache=cache) as visit:
        pocket.join(*visit.addresses())
        page = pocket.page
        visit.say(said[0])
        # The network dies without a word: the phone says so by itself, and comes back without a tap.
        visit.wait(lambda: pocket.now()["speaks"])
        page.evaluate("deaf = true")
        page.wait_for_selector("#told:has-text('The connection is lost. The visit holds.')", timeout=2500)
        assert not page.is_visible("#now")
        page.evaluate("deaf = voiced = false")
        visit.wait(lambda: visit.output.count("The phone is there.") == 2)
        page.wait_for_selector("#now:has-text('Ambient CO')")
        assert not page.is_visible("#told")
        for samples in said[1:]:
            visit.say(samples)
        visit.hear_out()
        visit.stop()
    by_phone = entries(visit.record)

    pause = np.random.default_rng(5).normal(0, 60, 3 * RATE_HZ).astype(np.int16)
    write_flac(
        tmp_path / "said.flac", Audio(np.concatenate([part for each in said for part in (pause, each)]), RATE_HZ)
    )
    command = [sys.executable, "-m", "assistant", "visit", "--job", job, "--folder", tmp_path / "files"]
    subprocess.run([*command, "--from-audio", tmp_path / "said.flac"], check=True, capture_output=True)
    by_files = entries(next((tmp_path / "files").rglob("visit.sqlite")))
    clips.close()

    assert [held(*entry) for entry in by_phone if held(*entry)] == [held(*entry) for entry in by_files if held(*entry)]
    words = [body["heard"]["text"] for kind, body in by_phone if kind == "said"]
    assert words == ["three parts per million", "yes", "mark one", "mark one", "no"]
    (read,) = [body for kind, body in by_phone if kind == "stopwatch-read"]
    assert read["at_s"] - read["from_s"] == pytest.approx(len(first) / RATE_HZ + MARKS_S, abs=0.05)
    devices = [body["what"] for kind, body in by_phone if kind == "device"]
    assert devices[0] == "opened"
    assert any(what.endswith("lost") for what in devices)
    assert "devices back" in devices


def test_a_smell_of_gas_is_answered_without_a_touch_of_the_phone_which_loses_the_network_on_the_way_out(
    pocket, tmp_path, cache
):
    clips, page = Clips(tmp_path / "clips"), pocket.page
    job = real_job("hot-surface-brief", tmp_path)
    with PhoneVisit(pocket, job, tmp_path, "--phone-address", "localhost", cache=cache) as visit:
        pocket.join(*visit.addresses())  # the one tap
        visit.say(clips["i smell gas"])
        page.wait_for_selector("#now h1:has-text('Emergency. Stay out.')")
        page.evaluate("plays.length = 0")
        visit.hear_out()
        told = page.evaluate("plays.reduce((all, sound) => all + sound.samples, 0) / context.sampleRate")
        page.evaluate("deaf = true")
        page.wait_for_selector("#told:has-text('The connection is lost. The visit holds.')", timeout=2500)
        page.evaluate("deaf = false")
        visit.wait(lambda: visit.output.count("The phone is there.") == 2)
        page.wait_for_selector("#now h1:has-text('Emergency. Stay out.')")
        visit.stop()
    clips.close()
    assert all(sentence in visit.output for sentence in ALARMS["gas"].split(". "))
    assert told > 8.0  # seconds: the alarm takes them
    made = entries(visit.record)
    assert [body["kind"] for kind, body in made if kind == "emergency"] == ["gas"]
