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
    assert technician.hear("yes") == "I heard yes, for venting. Is that right?"
    said = technician.hear("yes")
    assert said.startswith("Recorded: flue gas spills. Shut the gas cock now.")
    assert {bar.about for bar in gate.forbidding(technician.dialogue.rules, technician.state, "lighting")} == {"vent"}


def test_after_a_repair_one_lighting_straight_to_the_measurement():
    technician = at("oxygen")
    technician.hear("seven percent", "yes", "nine zero zero parts per million", "yes")
    assert technician.state.step == "shut-down"
    technician.hear("repair burners cleaned", "yes")
    asked: list[str] = []
    while "monoxide" not in asked:
        asked += soundly(technician, 1)
    assert asked[-4:] == ["sequence", "light", "oxygen", "monoxide"]  # nothing that runs comes between
    assert not gate.bars(technician.dialogue.rules, technician.state)
    (put_off,) = [note.body for note in technician.notes if note.kind == "put-off"]
    assert put_off["for"] == "oxygen"
    after = soundly(technician, 4)  # what was put off comes now, and once
    assert after[0] == put_off["step"]
    assert put_off["step"] not in after[1:]


def soundly(technician: simulated.Technician, questions: int) -> list[str]:
    """Answers so many questions with nothing wrong; the steps that were asked."""
    asked: list[str] = []
    while len(asked) < questions:
        if technician.state.phase is Phase.ASKING and not technician.state.hand.untold:
            asked.append(technician.state.step)
            answers = technician.answers(technician.procedure.step(technician.state.step))
            technician.answer_step(technician.soundest(answers), first=True)
        else:
            technician.say(technician.other(technician.state.phase))
    return asked


def test_where_the_measurement_shuts_the_gas_it_is_opened_and_lit_again_for_what_was_put_off():
    technician = at("flame-out", "hot-surface-natural-gas-no-heat")
    technician.answer_step("fail", first=True)
    while technician.state.phase is not Phase.BARRED:
        soundly(technician, 1)
    technician.hear("repair control replaced", "yes")
    asked = []
    while asked.count("flame-out") < 2:
        asked += soundly(technician, 1)
    measured = asked.index("flame-out")
    (put_off,) = [note.body for note in technician.notes if note.kind == "put-off"]
    assert (put_off["for"], asked[measured - 1]) == ("flame-out", "light")
    after = asked[measured + 1 :]
    again = after[: after.index(put_off["step"]) + 1]
    assert again[:3] == ["reset", "gas-on", "taps-tight"]  # and not as found
    assert [step for step in again if technician.procedure.step(step).burner][-2:] == ["light", put_off["step"]]
    assert "sequence" in again
    assert after.count(put_off["step"]) == 1
