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

from assistant.phone.measuring import ROUND_TRIP_S
from assistant.speech.room import SAY_SENTENCE
from assistant.wording.phone import LINE_GAPS, LINE_GOOD, LINE_SLOW


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
    assert found["heard_right"]
    assert found["microphone"] == "phone"
    assert 0 <= found["round_trip_ms"] <= found["round_trip_p95_ms"]
    good = found["round_trip_p95_ms"] <= 1000 * ROUND_TRIP_S and found["gaps"] == 0  # on a busy machine it is not
    assert found["line_good_enough"] == good
    assert found["line"] == (LINE_GOOD if good else LINE_GAPS if found["gaps"] else LINE_SLOW)
    assert not found["own_voice_heard"]  # nothing of what this phone plays comes back
    assert process.returncode == (0 if good else 2)
