"""What `self-check --listen` measures, on a virtual sound card whose room is known."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time

import numpy as np
import pytest
from card import RATE_HZ
from technician import Clips, Room

from assistant.speech.room import SAY_SENTENCE

NOISE = 60  # RMS of int16: -54.8 dBFS


def self_check(card, folder, cache, *options):
    """Runs it with a person who says the sentence when asked; what it printed, and its exit status."""
    noise = np.random.default_rng(5).normal(0, NOISE, 60 * RATE_HZ).astype(np.int16)
    playing = []
    threading.Thread(target=lambda: playing.append(card.say(noise)), daemon=True).start()
    room, clips = Room(card), Clips(folder / "clips")
    sentence = clips["one hundred and twenty volts"]
    command = [sys.executable, "-m", "assistant", "self-check", "--listen", *options]
    environment = {**card.environment, "COLUMNS": "120", "XDG_CACHE_HOME": str(cache)}
    process = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        told = ""
        while SAY_SENTENCE[:20] not in told:
            told = process.stderr.readline()
            assert told, process.stdout.read()
        room.voiced = False
        while not (room.voiced and room.quiet_s > 0.7):
            time.sleep(0.02)
        card.say(sentence).wait()
        out, _ = process.communicate(timeout=30)
        return out, process.returncode
    finally:
        process.kill()
        room.close()
        clips.close()
        for each in playing:
            each.kill()


def test_a_loudspeaker_that_leaks_is_measured_and_a_tail_proposed(card, tmp_path, cache):
    card.leak(500)
    out, status = self_check(card, tmp_path, cache, "--json")
    found = json.loads(out)
    assert status == 0
    assert found["heard"] == "one hundred and twenty volts"
    assert found["heard_right"]
    assert found["noise_dbfs"] == pytest.approx(20 * np.log10(NOISE / 32768), abs=1.5)
    assert found["speech_to_noise_db"] > 20
    assert found["distance"] == "near enough"
    assert found["own_voice_heard"]
    assert 0.4 < found["delay_s"] < 0.9
    assert found["own_voice_after_s"] > 0.1
    assert found["own_voice_after_s"] + 0.1 <= found["tail_s"] + 0.001
    assert found["tail_s"] < 1.0
