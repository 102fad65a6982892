"""Every procedure is worked to its end, with every branch that its steps can take."""

from __future__ import annotations

import pytest
from simulated import Technician

from assistant.dialogue.state import Phase
from assistant.files import library
from assistant.trade.procedures import left_out

PROCEDURES = sorted(library().procedures)


@pytest.mark.parametrize("name", PROCEDURES)
def test_every_branch_is_taken(name):
    technician = Technician(library().procedures[name])
    technician.work_all()
    assert technician.possible - technician.taken == set()
    kinds = {note.kind for note in technician.notes}
    assert {"summary", "decision", "told", "closed", "hazards-voiced", "understood", "site"} <= kinds


@pytest.mark.parametrize("name", PROCEDURES[::5])
def test_what_is_not_fitted_is_left_out_and_told(name):
    technician = Technician(library().procedures[name], bare=True)
    technician.work()
    assert technician.state.phase is Phase.CLOSED
    job = technician.dialogue.rules.job
    out = {note.body["step"] for note in technician.notes if note.kind == "left-out"}
    assert out
    assert all(left_out(technician.procedure.step(step), job) for step in out)
    closed = next(note.body for note in technician.notes if note.kind == "closed")
    assert out <= {entry["step"] for entry in closed["not_checked"]}
