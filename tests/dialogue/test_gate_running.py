"""While the burner runs, what forbids it to run on begins the shut-down at once."""

from __future__ import annotations

import simulated

from assistant.dialogue import gate
from assistant.dialogue.state import Phase
from assistant.files import library


def at(step: str, procedure: str = "hot-surface-natural-gas-yearly") -> simulated.Technician:
    technician = simulated.Technician(library().procedures[procedure])
    technician.go_to(step)
    return technician


def test_flue_co_at_the_limit_stops_the_run_though_oxygen_was_skipped():
    technician = at("oxygen")
    technician.hear("skip", "no access")
    said = technician.hear("two zero zero zero parts per million", "yes")
    assert "Fail" in said
    assert technician.state.step == "shut-down"
    assert said.endswith("Shut the gas cock now. Say done.")


def test_a_corrected_reading_that_makes_a_finding_fail_stops_it_too():
    technician = at("oxygen")
    technician.hear("seven percent", "yes", "three zero parts per million", "yes", "yes")
    assert technician.state.burning
    technician.hear("correction")  # of the answer; it is taken back and answered again
    technician.hear("skip")
    technician.hear("correction")
    said = technician.hear("three nine zero parts per million", "yes")
    finding = next(n.body for n in reversed(technician.notes) if n.kind == "finding")
    assert (finding["finding"], finding["verdict"]) == ("co-air-free", "fail")
    assert technician.state.step == "shut-down"
    assert said.endswith("Shut the gas cock now. Say done.")


def test_the_shut_down_after_spillage_says_the_gas_cock_first():
    technician = at("vent")
    said = technician.hear("yes")
    assert said.startswith("Recorded: flue gas spills. Shut the gas cock now.")
    assert {bar.about for bar in gate.forbidding(technician.dialogue.rules, technician.state, "lighting")} == {"vent"}


def test_after_a_repair_one_lighting_straight_to_the_measurement():
    technician = at("oxygen")
    technician.hear("seven percent", "yes", "nine zero zero parts per million", "yes")
    assert technician.state.step == "shut-down"
    technician.hear("repair burners cleaned", "yes")
    asked: list[str] = []
    while technician.state.step != "monoxide-steady":
        step = technician.state.step
        if technician.state.phase is not Phase.ASKING or technician.state.untold:
            technician.say(technician.other(technician.state.phase))
            continue
        asked.append(step)
        if step in ("oxygen", "monoxide"):
            technician.hear("seven percent" if step == "oxygen" else "three zero parts per million", "yes")
            continue
        answers = technician.answers(technician.procedure.step(step))
        good = technician.procedure.step(step).good
        technician.answer_step(next(o for o in (good, "pass", "noted", *answers) if o in answers), first=True)
    assert asked[-4:] == ["sequence", "light", "oxygen", "monoxide"]  # nothing that runs comes between
    assert not gate.bars(technician.dialogue.rules, technician.state)
    put_off = [note.body for note in technician.notes if note.kind == "put-off"]
    assert put_off[0]["for"] == "oxygen"
    technician.answer_step("yes", first=True)
    assert technician.state.step == put_off[0]["step"]  # what was put off comes now
