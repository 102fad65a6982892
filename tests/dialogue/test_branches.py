"""Procedures are worked to their end, with every branch that their steps can take.

Four here; `make bench-branches` works all.
"""

from __future__ import annotations

import pytest
from simulated import FOUR, Technician

from assistant.dialogue.state import Phase
from assistant.files import library
from assistant.trade.procedures import left_out


def test_the_four_are_of_every_system_fuel_and_kind_of_visit():
    four = [library().procedures[name] for name in FOUR]
    every = library().procedures.values()
    assert {p.ignition for p in four} == {p.ignition for p in every}
    assert {p.fuel for p in four} == {p.fuel for p in every}
    assert {p.visit for p in four} == {p.visit for p in every}


@pytest.mark.visits
@pytest.mark.parametrize("name", FOUR)
def test_every_branch_is_taken(name):
    technician = Technician(library().procedures[name])
    technician.work_all()
    assert technician.possible - technician.taken == set()
    kinds = {note.kind for note in technician.notes}
    assert {"summary", "decision", "told", "closed", "hazards-voiced", "understood", "site"} <= kinds


@pytest.mark.parametrize("name", sorted(library().procedures)[::5])
def test_what_is_not_fitted_is_left_out_and_told(name):
    technician = Technician(library().procedures[name], bare=True)
    technician.work()
    assert technician.state.phase is Phase.CLOSED
    job = technician.dialogue.rules.job
    left = [note.body for note in technician.notes if note.kind == "left-out"]
    out = {body["step"] for body in left if not body["reason"].startswith("after ")}
    assert out
    assert all(left_out(technician.procedure.step(step), job) for step in out)
    closed = next(note.body for note in technician.notes if note.kind == "closed")
    assert out <= {entry["step"] for entry in closed["not_checked"]}
