"""The end of a visit: the decision is the technician's, and nothing sounds like a permission."""

from __future__ import annotations

import re

import pytest
from simulated import Technician

from assistant.dialogue import gate
from assistant.dialogue.events import Opened, Voiced
from assistant.dialogue.state import Deciding, Phase
from assistant.files import library
from assistant.trade.computations import FINDINGS
from assistant.trade.procedures import Procedure, Proof
from assistant.wording.english import notice_text

FORBIDDEN = re.compile(r"\b(is safe|safe to|you may|you can|allowed to|approved|permitted|good to go)\b", re.I)


def at_the_end(fuel: str = "natural-gas", **answers: str) -> Technician:
    """A visit at its last question; `answers` are outcomes by step, with _ for -."""
    technician = Technician(library().procedures[f"hot-surface-{fuel}-commissioning"])
    technician.begin()
    wanted = {step.replace("_", "-"): outcome for step, outcome in answers.items()}
    while technician.state.phase is not Phase.DECIDING:
        step = technician.state.step
        if technician.state.phase is Phase.ASKING and not technician.state.hand.untold:
            known = technician.answers(technician.procedure.step(step))
            technician.answer_step(wanted.get(step) or technician.soundest(known), first=True)
        else:
            technician.turn()
    return technician


def note(technician: Technician, kind: str) -> dict:
    return next(n.body for n in technician.notes if n.kind == kind)


def test_that_it_stays_on_is_asked_three_times_before_it_is_taken():
    technician = at_the_end()
    technician.say("yes")
    technician.say("yes")
    assert technician.state.phase is Phase.DECIDING
    technician.say("no")  # not meant: asked from the beginning
    assert technician.state.at == Deciding(yeses=0)
    for _ in range(3):
        technician.say("yes")
    assert note(technician, "decision") == {"stays_on": True, "times_asked": 3}
    assert technician.state.phase is Phase.TELLING
    technician.say("robin roe")
    assert note(technician, "told")["audio"].endswith(".flac")
    assert note(technician, "told")["nobody"] is False


@pytest.mark.parametrize(("answers", "told"), [({}, True), ({"clock": "skip"}, False)])
def test_other_gas_that_was_off_for_the_meter_is_to_be_lit_again(answers, told):
    assert ("Other gas was off for the meter." in at_the_end(**answers).said) is told


def test_that_it_does_not_stay_on_leads_to_shutting_it_off_with_its_warnings_first():
    technician = at_the_end()
    technician.say("no")
    assert technician.state.phase is Phase.SHUTTING
    assert "Lock and tag the switch or breaker." in technician.said
    technician.say("done")
    assert technician.state.phase is Phase.SHUTTING
    technician.say("understood")
    technician.say("done")
    technician.say("no")
    assert technician.state.phase is Phase.SHUT
    technician.say("done")
    technician.say("yes")
    assert (technician.state.site.power, technician.state.site.gas) == ("isolated", "shut")
    assert note(technician, "decision")["stays_on"] is False
    notice = note(technician, "notice")
    assert len(notice["shut"]) == 2


@pytest.mark.parametrize(
    ("fuel", "hazard", "told"),
    [("natural-gas", "gas-lock", "Natural gas rises."), ("lp", "gas-lock-low", "L P lies low.")],
)
def test_shutting_it_off_warns_of_where_this_gas_goes(fuel, hazard, told):
    technician = at_the_end(fuel)
    technician.say("no")
    assert told in technician.said
    technician.say("understood")
    assert technician.notes[-1].body["hazards"] == [hazard, "lock-out"]


@pytest.mark.parametrize(
    ("so_far", "stopped"),
    [
        ([], [Voiced(False, "no sound"), "go on"]),
        (["hold"], ["go on"]),
        (["understood", "stop"], ["go on"]),
        (["understood"], [Opened(resumed=True)]),
    ],
)
def test_whatever_stops_the_shutting_off_its_warnings_are_voiced_again(so_far, stopped):
    technician = at_the_end()
    technician.hear("no", *so_far)
    for each in stopped:
        technician.say(each) if isinstance(each, str) else technician.event(each)
    assert "Lock and tag the switch or breaker." in technician.said


def test_a_visit_of_an_older_record_shuts_off_as_it_did():
    of_today = library().procedures["hot-surface-lp-commissioning"].model_dump(mode="json")
    older = Procedure.model_validate({key: value for key, value in of_today.items() if key != "shut_off"})
    assert older.shut_off == ("gas-lock", "lock-out")


def test_what_is_unsafe_is_told_with_a_notice_and_a_follow_up():
    technician = at_the_end(vent="yes")
    summary = note(technician, "summary")
    assert "flue gas spills" in [entry["text"] for entry in summary["unsafe"]]
    technician.say("yes")  # it is off already, and stays off
    notice = note(technician, "notice")
    assert "poisonous" in " ".join(notice["hazards"])
    page = notice_text(notice, "2026-11-26", "Robin Roe (invented)")
    for part in ("2026-11-26", "Robin Roe", "The gas cock is shut", "What has to be done", "no permission"):
        assert part in page
    technician.say("no")
    assert technician.state.phase is Phase.FOLLOW_UP
    technician.say("clear the vent")
    assert technician.state.phase is Phase.CLOSED
    closed = note(technician, "closed")
    assert closed["follow_up_because"] == summary["follow_up_because"] != []
    assert (closed["told"], closed["stays_on"]) == ("", False)
    assert closed["notice"] == notice


def test_leaving_it_on_against_what_was_found_is_recorded_and_noticed():
    technician = at_the_end(manifold="fail", ground_path="skip")
    against = ["manifold pressure, fail", "ground path was not checked"]
    assert note(technician, "summary")["against"] == against
    for _ in range(3):
        technician.say("yes")
    assert note(technician, "decision") == {"stays_on": True, "times_asked": 3, "against": against}
    notice = note(technician, "notice")
    assert [wrong.split(".")[0] for wrong in notice["hazards"]] == [
        "Manifold pressure, fail",
        "Ground path was not checked",
    ]
    assert notice["shut"] == [f"It was left on by the technician's own decision, against: {'; '.join(against)}."]
    assert notice["restores"][-1] == "What was not checked is checked."
    assert "It was left shut off." not in notice_text(notice, "2026-11-26", "Robin Roe (invented)")


@pytest.mark.parametrize(
    "found", [{"polarity": "no"}, {"rollout_switch": "fail"}, {"light": "no"}, {"vent": "yes"}, {"monoxide": "fail"}]
)
def test_all_that_the_gate_was_closed_for_is_unsafe(found):
    technician = at_the_end(**found)
    bars = gate.bars(technician.dialogue.rules, technician.state)
    assert bars
    unsafe = note(technician, "summary")["unsafe"]
    assert {bar.fact.step for bar in bars} <= {entry["step"] for entry in unsafe}
    assert all(entry["hazard"] and entry["restores"] for entry in unsafe)


@pytest.mark.parametrize(
    ("said", "stands"),
    [
        (["correction", "skip"], "taken back and not read again"),
        (["repair polarity repaired", "yes"], "mended and not measured again"),
    ],
)
def test_what_forbids_is_unsafe_though_it_was_taken_back_or_mended_and_never_read_again(said, stands):
    technician = Technician(library().procedures["hot-surface-natural-gas-commissioning"])
    technician.go_to("polarity")
    technician.answer_step("no")
    technician.hear(*said)
    while technician.state.phase is not Phase.DECIDING:
        step = technician.state.step
        if technician.state.phase is Phase.BARRED:
            assert technician.procedure.step(step).burner == "lights"
            technician.say("shut down")
        elif technician.state.phase is Phase.ASKING and not technician.state.hand.untold:
            known = technician.answers(technician.procedure.step(step))
            technician.answer_step("skip" if step == "polarity" else technician.soundest(known), first=True)
        else:
            technician.turn()
    (unsafe,) = note(technician, "summary")["unsafe"]
    assert unsafe["text"] == f"hot and neutral are reversed, or the ground is open, {stands}"


def test_what_was_skipped_is_told_with_its_reason():
    technician = at_the_end(return_air="skip")
    unchecked = note(technician, "summary")["not_checked"]
    assert {"return-air": "no time"}.items() <= {e["step"]: e["reason"] for e in unchecked}.items()


def test_every_safety_test_has_its_hazard_in_plain_words():
    risks = library().risks
    assert set(risks) >= {*Proof.__args__, "other"}
    assert [name for name, risk in risks.items() if not (risk.of or name in (*Proof.__args__, "other"))] == []
    steps = [step for procedure in library().procedures.values() for step in procedure.steps]
    about = [name for risk in risks.values() for name in risk.of]
    assert set(about) <= {*library().quantities, *FINDINGS, *(step.id for step in steps)}
    assert len(about) == len(set(about))
    assert not [r for r in risks.values() for text in (r.hazard, r.restores) if FORBIDDEN.search(text)]


@pytest.mark.parametrize("light", ["yes", "no"])
def test_no_sentence_of_the_end_is_worded_as_a_permission(light):
    technician = at_the_end(light=light)
    said = list(technician.said)
    while technician.state.phase is not Phase.CLOSED:
        technician.turn()
        said += technician.said
    assert said
    assert [text for text in said if FORBIDDEN.search(text)] == []


def test_stop_and_emergency_work_at_the_end():
    technician = at_the_end()
    technician.say("stop")
    assert technician.state.phase is Phase.HOLDING
    technician.say("go on")
    assert technician.state.phase is Phase.DECIDING
    technician.say("gas leak")
    assert technician.state.phase is Phase.EMERGENCY
