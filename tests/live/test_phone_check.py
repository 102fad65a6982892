"""`self-check --phone`, with a phone that answers."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time

from client import Phone
from desk import free_port
from technician import Clips

from assistant.speech.room import SAY_SENTENCE


def test_a_phone_and_its_network_are_measured(tmp_path):
    port, clips = free_port(), Clips(tmp_path / "clips")
    sentence = clips["one hundred and twenty volts"]
    clips.close()
    options = ["--phone", "--phone-address", "localhost", "--phone-port", str(port), "--json"]
    command = [sys.executable, "-m", "assistant", "self-check", *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        told = ""
        while not (code := re.search(r"/#(\S+)", told)):
            told = process.stderr.readline()
            assert told
        phone = Phone(f"http://localhost:{port}", code[1])
        while SAY_SENTENCE not in told:
            told = process.stderr.readline()
            assert told, process.stdout.read()
        while not phone.speaks:
            time.sleep(0.02)
        while phone.speaks:
            time.sleep(0.02)
        time.sleep(0.5)
        phone.say(sentence)
        out, _ = process.communicate(timeout=60)
    finally:
        process.kill()
    found = json.loads(out)
    assert found["heard"] == "one hundred and twenty volts"
    assert found["microphone"] == "phone"
    assert (found["gaps"], found["missing_s"]) == (0, 0)
    assert 0 <= found["round_trip_ms"] <= found["round_trip_p95_ms"] < 250
    assert found["line_good_enough"]
    assert not found["own_voice_heard"]  # nothing of what this phone plays comes back
    assert process.returncode == 0
