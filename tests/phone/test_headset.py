"""A visit by two phones without a browser, in real time: what a headset and a helper's phone can do."""

from __future__ import annotations

import time

from client import Phone
from pocket import TURN_S, PhoneVisit
from recorded import entries, real_job
from technician import Clips


def test_on_a_headset_stop_cuts_in_and_a_helper_s_phone_gives_the_reading(tmp_path, cache):
    clips = Clips(tmp_path / "clips")
    job = real_job("hot-surface-brief", tmp_path)
    options = ["--phone-address", "localhost", "--headset", "--phone-helper"]
    with PhoneVisit(None, job, tmp_path, *options, cache=cache) as visit:
        origin, code = (addresses := visit.addresses())[0].split("/#")
        technician = Phone(origin, code)
        helper = Phone(origin, addresses[1].split("/#")[1])

        def heard_out() -> bool:
            return bool(technician.played) and not technician.speaks and technician.quiet_s > TURN_S

        def say(phone: Phone, words: str) -> None:
            visit.wait(heard_out)
            technician.played.clear()
            phone.say(clips[words])
            visit.wait(phone.silent)

        visit.wait(lambda: technician.played)  # it goes on with the next sentence
        visit.wait(lambda: technician.speaks)
        time.sleep(0.3)
        technician.say(clips["stop"])
        say(technician, "go on")
        say(technician, "helper reading")
        say(helper, "three parts per million")
        visit.wait(heard_out)
        visit.stop()
        technician.cut()
        helper.cut()
    clips.close()
    made = entries(visit.record)
    said = [body for kind, body in made if kind == "said"]
    assert [(body["heard"]["text"], body["microphone"]) for body in said] == [
        ("stop", "technician"),
        ("go on", "technician"),
        ("helper reading", "technician"),
        ("three parts per million", "helper"),
    ]
    assert said[0]["interrupted"] == said[0]["played"][-1]["text"]
