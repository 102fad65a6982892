"""No heat visits: the order of the steps follows the fault, within the states of power and gas."""

from __future__ import annotations

from functools import cache

import pytest
from played_faults import NoHeat, visit
from simulated import Technician

from assistant.dialogue.state import Phase
from assistant.files import library

FAULTS = library().faults
ROWS = {row.symptom: row for row in FAULTS.rows}
ALL = [(row, cause) for row in FAULTS.rows for cause in row.causes]
NO_HEAT = "hot-surface-natural-gas-no-heat"


@cache
def worked(symptom: str, cause: str) -> tuple[NoHeat, bool]:
    """A visit to the fault, worked until it was named, and whether it was."""
    played = visit(ROWS[symptom], cause)
    return played, played.run()


@pytest.mark.parametrize(("row", "cause"), ALL, ids=lambda each: getattr(each, "symptom", each))
def test_each_fault_is_named_first_or_second_within_what_the_table_lists(row, cause):
    played, named = worked(row.symptom, cause)
    assert named
    rows = FAULTS.rows_of(played.state.symptom, played.dialogue.rules.job.appliance)
    listed = {name for each in rows for name in each.next}  # what tells the rows of the symptom apart, too
    assert len(played.measured) <= len(listed) + 1  # one more where power and gas need no change for it
    assert len(set(played.measured)) == len(played.measured)


def test_what_tells_most_comes_first_and_the_record_says_why():
    played = visit(ROWS["it lights and drops out"], "line polarity reversed")
    assert played.run()
    chosen = [note.body for note in played.notes if note.kind == "next-best"]
    assert [body["step"] for body in chosen] == ["find-rod-look", "ground-path", "burner-ground", "polarity"]
    assert chosen[0]["observation"] == "rod-look"
    assert chosen[0]["causes"][0][0] == "flame rod oxidised"
    played.say("probable cause")
    said = " ".join(played.said)
    assert said.startswith("Probable cause, line polarity reversed. For polarity: reversed. Then, ")


def on(talk: Technician, step: str, symptom: str = "") -> Technician:
    """On to the question of a step, everything as it should be; the symptom is told at the complaint."""
    for _ in range(200):
        if talk.state.phase is Phase.ASKING and talk.state.step == "complaint" and symptom:
            talk.say(f"symptom {symptom}")
            symptom = ""
        if talk.state.phase is Phase.ASKING and talk.state.step == step:
            return talk
        if talk.state.phase is Phase.ASKING:
            good = [o for o in talk.plain_first(talk.state.step) if o in ("pass", "noted", "yes", "done", "no")]
            bad = talk.procedure.step(talk.state.step).bad
            talk.answer_step(next(o for o in good if o not in bad))
        else:
            talk.turn()
    raise AssertionError(talk.state.step)


def told(symptom: str, step: str) -> Technician:
    talk = Technician(library().procedures[NO_HEAT])
    talk.begin()
    return on(talk, step, symptom)


def test_without_a_symptom_the_order_is_as_written_and_nothing_is_asked_only_to_find_a_fault():
    talk = Technician(library().procedures[NO_HEAT])
    talk.go_to("switches-refitted")
    cold = [s for s in talk.state.path if talk.procedure.number(s) > talk.procedure.number("igniter-cold")]
    assert cold == ["igniter-ground", "rod-unlit", "ground-path", "burner-ground", "vent-clear", "jumpers-before",
                    "limit-switch", "rollout-switch", "pressure-switch"]  # fmt: skip


def test_with_a_symptom_every_step_of_the_run_is_still_asked_once():
    talk = told("drops out", "switches-refitted")
    cold = [s for s in talk.state.path if talk.procedure.number(s) > talk.procedure.number("igniter-cold")]
    assert cold[:2] == ["find-rod-look", "ground-path"]
    assert sorted(cold) == sorted([*set(cold)])
    must = {s.id for s in talk.procedure.run("rod-unlit") if not s.if_it_tells}
    assert must <= set(cold)


def test_back_in_a_run_is_the_step_before_and_what_was_asked_is_not_asked_again():
    talk = told("drops out", "ground-path")
    assert talk.state.path[-1] == "find-rod-look"
    talk.say("point four ohms")
    assert talk.state.step == "burner-ground"
    talk.say("go back")
    assert talk.state.step == "ground-path"
    talk.say("point five ohms")
    assert talk.state.step == "burner-ground"


def test_after_an_emergency_the_run_is_asked_again():
    talk = told("drops out", "find-rod-look")
    talk.say("i smell gas")
    talk.say("area clear")
    talk.say("robin roe")
    talk.say("yes")
    on(talk, "switches-refitted")
    must = {s.id for s in talk.procedure.run("rod-unlit") if not s.if_it_tells}
    assert must <= set(talk.state.path)


def test_the_next_measurement_tells_what_power_and_gas_it_needs_and_changes_neither():
    talk = told("no glow", "complaint")
    before = talk.state.site
    talk.say("next measurement")
    said = " ".join(talk.said)
    assert said.startswith("Next best, ")
    assert "Not as things are now." in said
    assert (talk.state.step, talk.state.site) == ("complaint", before)


def test_without_a_fitting_row_no_cause_is_named():
    talk = Technician(library().procedures[NO_HEAT])
    talk.go_to("complaint")
    talk.say("probable cause")
    assert "No cause fits what was read so far. Say symptom, and what it does." in talk.said[0] + " " + talk.said[1]


def test_a_yearly_visit_keeps_its_order():
    for procedure in library().procedures.values():
        assert bool(any(procedure.run(s.id) for s in procedure.steps)) is (procedure.visit == "no heat")
        assert procedure.visit == "no heat" or not any(step.if_it_tells for step in procedure.steps)


@pytest.mark.visits
def test_every_check_that_only_finds_a_fault_is_asked_by_some_fault():
    asked: set[str] = set()
    for row, cause in ALL:
        played, _ = worked(row.symptom, cause)
        asked |= {note.body["step"] for note in played.notes if note.kind == "next-best"}
    finders = {s.id for p in library().procedures.values() for s in p.steps if s.if_it_tells}
    assert len(asked & finders) >= 20
