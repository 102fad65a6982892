"""A procedure that could light, or run, while something unsafe stands is refused."""

from __future__ import annotations

import pytest

from assistant.files import library
from assistant.trade.checking import check
from assistant.trade.computations import FINDINGS
from assistant.trade.procedures import Procedure, Step

PROCEDURE = library().procedures["hot-surface-natural-gas-yearly"]


def wrongs(procedure: Procedure) -> str:
    shelf = library()
    limits = shelf.limits_for(procedure.fuel, procedure.ignition, procedure.visit)
    return "\n".join(wrong.says for wrong in check(procedure, shelf.quantities, shelf.hazards, FINDINGS, limits))


def with_step(step: str, **changes: object) -> Procedure:
    """The procedure with one step changed."""

    def changed(each: Step) -> Step:
        return each.model_copy(update=changes) if each.id == step else each

    return PROCEDURE.model_copy(update={"steps": tuple(map(changed, PROCEDURE.steps))})


def without_voiding(name: str) -> Procedure:
    """The procedure with a name taken out of every repair."""
    repairs = {
        key: repair.model_copy(update={"voids": tuple(v for v in repair.voids if v != name)})
        for key, repair in PROCEDURE.repairs.items()
    }
    return PROCEDURE.model_copy(update={"repairs": repairs})


def test_what_is_shipped_is_sound():
    assert wrongs(PROCEDURE) == ""


@pytest.mark.parametrize(
    ("procedure", "says"),
    [
        (with_step("sequence", burner=None), "must say that the burner lights there"),
        (with_step("oxygen", burner=None), "must say that the burner runs there"),
        (with_step("vent", burner=None), "is worked while the burner may burn"),
        (with_step("cycle-left", burner=None, dangers=("light-off",)), "must say that the burner lights there"),
        (with_step("vent", forbids=()), "is the venting test, so its bad answer must forbid something"),
        (with_step("filter", bad={}, forbids=("lighting",)), "and no answer to it is bad"),
        (without_voiding("vent-clear"), "no repair voids the step 'vent-clear'"),
        (without_voiding("line-voltage"), "no repair voids 'line-voltage'"),
        (with_step("igniter-new", mends="magic"), "mends 'magic', which is no known repair"),
        (PROCEDURE.model_copy(update={"shut_down": ()}), "names no step at which shutting down begins"),
        (PROCEDURE.model_copy(update={"shut_down": ("nowhere",)}), "shutting down begins at 'nowhere'"),
        (PROCEDURE.model_copy(update={"shut_down": ("refit-off",)}), "no step of shut_down can be worked"),
        (PROCEDURE.model_copy(update={"shut_down": ("refit-off", "isolate-off", "gas-on", "shut-down")}), "leads to"),
    ],
)
def test_a_procedure_whose_gate_could_stay_open_is_refused(procedure, says):
    assert says in wrongs(procedure)


def test_every_finding_that_forbids_names_its_repair_or_only_the_shut_down():
    for procedure in library().procedures.values():
        voided = {name for repair in procedure.repairs.values() for name in repair.voids}
        forbidding = [step for step in procedure.steps if step.forbids]
        assert len(forbidding) > 10
        for step in forbidding:
            assert step.no_repair != (step.id in voided), (procedure.name, step.id)


def test_what_forbids_lighting_forbids_running_and_leaving_on_too():
    order = ["gas on", "lighting", "running", "leaving on"]
    rules = [step.forbids for procedure in library().procedures.values() for step in procedure.steps if step.forbids]
    rules += [limit.forbids.acts for limits in library().limits.values() for limit in limits if limit.forbids]
    assert len(rules) > 100
    for acts in rules:
        assert list(acts) == order[order.index(acts[0]) :]
