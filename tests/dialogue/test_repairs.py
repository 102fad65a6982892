"""A repair voids what it touches; the visit is walked again, and what still stands is passed over."""

from __future__ import annotations

import pytest
from simulated import FOUR, Technician

from assistant.dialogue.state import Phase
from assistant.dialogue.steps import touched
from assistant.files import library


def at_the_flame_signal() -> Technician:
    technician = Technician(library().procedures["hot-surface-natural-gas-commissioning"])
    technician.go_to("flame")
    technician.say("zero point seven microamps")
    while technician.state.phase is Phase.CONFIRMING:
        technician.say("yes")
    return technician


def test_a_repair_voids_its_readings_and_asks_them_again_as_left():
    technician = at_the_flame_signal()
    technician.say("repair flame rod cleaned")
    assert technician.said == ["The repair is, flame rod cleaned.", "Is that right?"]
    technician.say("yes")
    note = next(n.body for n in technician.notes if n.kind == "repair")
    assert note["repair"] == "flame-rod-cleaned"
    assert {"flame", "rod-unlit"} <= set(note["voids"])
    assert technician.state.step == "isolate"
    assert (technician.state.site.power, technician.state.site.gas) == ("unknown", "unknown")
    asked = technician.go_on_to("flame")
    # What changes power or gas, what is done by hand and what is asked twice is asked again; the rest stands.
    assert {"isolate", "shut-gas", "prove-dead", "rod-unlit", "power-on", "gas-on"} <= set(asked)
    assert not {"igniter-cold", "ground-path", "line", "polarity"} & set(asked)
    assert technician.said[0].startswith("As left.") or "As left." in " ".join(technician.said)
    technician.say("two point five microamps")
    technician.say("yes")
    found, left = [t for t in technician.state.readings if t.quantity == "flame-signal"]
    assert (found.stage, found.voided, found.verdict.outcome) == ("found", True, "fail")
    assert (left.stage, left.voided, left.verdict.outcome) == ("left", False, "pass")


def test_a_repair_that_is_not_known_is_offered_and_then_kept_as_a_note():
    technician = at_the_flame_signal()
    step = technician.state.step
    technician.say("repair")
    technician.say("[unk]")
    for _ in technician.procedure.repairs:
        assert technician.state.phase is Phase.REPAIRED
        technician.say("no")
    assert technician.state.step == step
    assert "note" in {n.kind for n in technician.notes}
    assert technician.state.repairs == ()


def test_no_repair_is_recorded_when_it_was_not_meant():
    technician = at_the_flame_signal()
    technician.say("repair")
    technician.say("no")
    assert "No repair is recorded." in technician.said
    assert technician.state.repairs == ()


@pytest.mark.visits
@pytest.mark.parametrize("name", FOUR)
def test_after_every_repair_the_visit_comes_to_its_end_and_the_safety_tests_are_proved_again(name):
    procedure = library().procedures[name]
    technician = Technician(procedure)
    last = [s.id for s in procedure.steps if s.kind == "check" and "leak-check" in s.proves][-1]
    for repair, of in procedure.repairs.items():
        technician.go_to(last)
        done = set(technician.state.outcomes)
        steps, _ = touched(technician.dialogue, of)
        technician.say(f"repair {of.say}")
        technician.say("yes")
        assert technician.state.repairs[-1].name == repair
        assert not steps & set(technician.state.stands)
        asked = set(technician.go_on_to(last))
        for step in procedure.steps:
            if step.id in done and procedure.number(step.id) > procedure.number(of.restart) and step.id in steps:
                assert step.id in asked, f"{repair}: {step.id} was not asked again"
            if step.id in done and {"jumpers-out", "proved-dead"} & set(step.proves):
                assert step.id in asked
