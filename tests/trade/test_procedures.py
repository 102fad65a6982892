"""The procedures shipped, and what `check` finds in broken ones."""

import pytest

from assistant.trade.checking import check
from assistant.trade.findings import FINDINGS
from assistant.trade.procedures import EMERGENCY, END, Procedure, State, after_step


def broken(procedure: Procedure, step_id: str, **changes: object) -> Procedure:
    """The procedure with one step changed."""
    steps = [s.model_copy(update=changes) if s.id == step_id else s for s in procedure.steps]
    return procedure.model_copy(update={"steps": tuple(steps)})


@pytest.fixture
def hot_surface(shelf):
    return shelf.procedures["hot-surface-natural-gas-yearly"]


def test_every_procedure_shipped_is_sound(shelf):
    assert shelf.procedures
    for procedure in shelf.procedures.values():
        assert check(procedure, shelf.quantities, shelf.hazards, FINDINGS) == []


@pytest.mark.parametrize(
    ("step", "changes", "said"),
    [
        ("told", {"next": {"yes": "nowhere"}}, "no step has that id"),
        ("line", {"quantity": "line-volts"}, "not a known quantity"),
        ("line", {"hazards": ("lions",)}, "not in the hazards file"),
        ("monoxide", {"works_out": ("air-freshness",)}, "not a known finding"),
        ("line", {"next": {"yes": "told"}}, "can never end in 'yes'"),
        ("prove-dead", {"sets": None}, "with the power isolated; it needs dead"),
        ("shut-gas", {"sets": None}, "with the gas unknown; it needs shut"),
        ("power-on", {"sets": None}, "with the power dead; it needs live"),
        ("isolate-again", {"next": {"done": "jumpers"}}, "it needs dead"),
        ("told", {"next": {"then": "told"}}, "no path leads to the end"),
        ("leak-found", {"id": "leak-lost"}, "no step has that id"),
    ],
)
def test_a_broken_procedure_is_refused(shelf, hot_surface, step, changes, said):
    bad = broken(hot_surface, step, **changes)
    if step == "told" and "then" in changes.get("next", {}):  # nor may the other ending lead out
        bad = broken(bad, "told-off", next={"yes": "told", "no": "told"})
    problems = check(bad, shelf.quantities, shelf.hazards, FINDINGS)
    assert any(said in problem.says for problem in problems), problems


def test_a_step_nobody_can_reach_is_told(shelf, hot_surface):
    bad = broken(hot_surface, "igniter-cold", next={"then": "rod-unlit"})
    problems = check(bad, shelf.quantities, shelf.hazards, FINDINGS)
    assert "no path leads to the step 'igniter-new'." in [problem.says for problem in problems]


def test_a_step_that_makes_others_safe_cannot_be_skippable(hot_surface):
    with pytest.raises(ValueError, match="cannot be skippable"):
        type(hot_surface.step("isolate")).model_validate(
            {**hot_surface.step("isolate").model_dump(), "skippable": True}
        )


def walk(procedure):
    """Every (step, state) that any path can reach, with the hazards voiced on the way in."""
    waiting, seen = [(procedure.steps[0].id, State())], set()
    while waiting:
        step_id, state = waiting.pop()
        if step_id in (END, EMERGENCY) or (step_id, state) in seen:
            continue
        seen.add((step_id, state))
        step = procedure.step(step_id)
        for outcome in step.outcomes():
            waiting.append((procedure.after(step, outcome), after_step(state, step, outcome)))
    return seen


def test_ohms_are_only_asked_with_the_power_dead_and_the_gas_shut(shelf, hot_surface):
    for step_id, state in walk(hot_surface):
        quantity = hot_surface.step(step_id).quantity
        if quantity and shelf.quantities[quantity].unit == "ohm":
            assert (state.power, state.gas) == ("dead", "shut"), step_id


def test_nothing_is_asked_of_a_live_circuit_before_it_was_proved_dead_and_restored(shelf, hot_surface):
    for step_id, state in walk(hot_surface):
        quantity = hot_surface.step(step_id).quantity
        if quantity and shelf.quantities[quantity].unit in ("volt", "microampere"):
            assert state.power == "live", step_id


def test_what_every_path_to_the_end_must_pass(hot_surface):
    """A visit that leaves the appliance on has asked for jumpers and leaks, and one that leaves it off for jumpers."""
    after_jumpers = [s.id for s in hot_surface.steps].index("jumpers")
    assert hot_surface.step("jumpers").confirm
    assert not hot_surface.step("jumpers").skippable
    assert [s.id for s in hot_surface.steps].index("leak-check") > after_jumpers
    assert not hot_surface.step("leak-check").skippable
    # Without jumpers and leak-check the closing step cannot be reached: every path goes through them.
    for wall in ("jumpers", "leak-check"):
        cut = broken(hot_surface, wall, next=dict.fromkeys(hot_surface.step(wall).outcomes(), END))
        assert "told" not in {step_id for step_id, _ in walk(cut)}


def test_flame_failure_is_proved_with_the_gas_cock(hot_surface):
    step = hot_surface.step("flame-out")
    assert "gas cock" in step.say
    assert "flame-failure" in step.hazards


def test_every_change_of_power_or_gas_warns_before_it(hot_surface):
    for step in hot_surface.steps:
        if step.sets and step.sets.power == "live":
            assert "power-on" in step.hazards
        if step.sets and step.sets.gas == "on":
            assert "gas-on" in step.hazards
