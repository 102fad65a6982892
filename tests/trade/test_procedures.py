"""The procedures shipped, and what `check` finds in broken ones."""

import itertools
from dataclasses import dataclass, replace
from typing import get_args

import pytest
from own_procedure import own_procedure

from assistant.trade.checking import check, dangers
from assistant.trade.computations import FINDINGS
from assistant.trade.job import Fuel, VisitKind
from assistant.trade.procedures import EMERGENCY, END, PROOFS, Procedure, Proof, State, after_step
from assistant.wording.english import sentences


def broken(procedure: Procedure, step_id: str, **changes: object) -> Procedure:
    """The procedure with one step changed."""
    steps = [s.model_copy(update=changes) if s.id == step_id else s for s in procedure.steps]
    return procedure.model_copy(update={"steps": tuple(steps)})


def wrongs(shelf, procedure: Procedure) -> list[str]:
    """What the check says of a procedure."""
    limits = shelf.limits_for(procedure.fuel, procedure.ignition, procedure.visit)
    return [wrong.says for wrong in check(procedure, shelf.quantities, shelf.hazards, FINDINGS, limits)]


@pytest.fixture
def hot_surface(shelf):
    return shelf.procedures["hot-surface-lp-yearly"]


@pytest.fixture
def sound(shelf):
    """The procedures shipped."""
    return list(shelf.procedures.values())


def test_there_is_a_procedure_for_each_system_fuel_and_visit_and_it_is_sound(shelf, sound):
    every = set(itertools.product(shelf.systems, get_args(Fuel), get_args(VisitKind)))
    assert {(p.ignition, p.fuel, p.visit) for p in sound} == every
    assert len(sound) == len(every)
    for procedure in sound:
        assert wrongs(shelf, procedure) == []


def test_the_names_and_titles_of_the_table(shelf):
    titles = {name: procedure.title for name, procedure in shelf.procedures.items()}
    assert (
        titles.items()
        >= {
            "direct-spark-lp-commissioning": "Direct spark, LP, commissioning",
            "hot-surface-natural-gas-no-heat": "Hot surface igniter, natural gas, no heat",
            "intermittent-pilot-lp-safety-test": "Intermittent pilot, LP, safety test alone",
            "standing-pilot-natural-gas-yearly": "Standing pilot, natural gas, yearly check",
        }.items()
    )
    assert all(procedure.name == name for name, procedure in shelf.procedures.items())
    by_cause = {p.visit for p in shelf.procedures.values() if p.order == "by-cause"}
    assert by_cause == {"no heat"}


@pytest.mark.parametrize("name", ["direct-spark-lp-no-heat", "standing-pilot-natural-gas-yearly"])
def test_a_procedure_of_the_table_is_the_one_that_a_file_of_its_own_gives(shelf, tmp_path, name):
    (tmp_path / "own.yaml").write_text(own_procedure(name), encoding="utf-8")
    assert shelf.read_procedures(tmp_path / "own.yaml") == [shelf.procedures[name]]


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
    problems = wrongs(shelf, bad)
    assert any(said in problem for problem in problems), problems


def test_a_step_nobody_can_reach_is_told(shelf, hot_surface):
    bad = broken(hot_surface, "igniter-cold", next={"then": "rod-unlit"})
    assert "no path leads to the step 'igniter-new'." in wrongs(shelf, bad)


def test_a_step_that_makes_others_safe_cannot_be_skippable(hot_surface):
    with pytest.raises(ValueError, match="cannot be skippable"):
        type(hot_surface.step("isolate")).model_validate(
            {**hot_surface.step("isolate").model_dump(), "skippable": True}
        )


@dataclass(frozen=True)
class Here:
    """Where a walk stands, and which dangers were warned of since power (for live parts) or anything changed."""

    step: str
    state: State
    warned: frozenset[str] = frozenset()


def walk(procedure, hazards):
    """Every place that any path can reach; a skipped step warns of nothing, since it may be skipped unheard.

    Written on its own, so that the walk of the check is held against another.
    """
    waiting, seen = [Here(procedure.steps[0].id, State())], set()
    while waiting:
        here = waiting.pop()
        if here.step in (END, EMERGENCY) or here in seen:
            continue
        seen.add(here)
        step = procedure.step(here.step)
        voiced = {danger for name in step.hazards for danger in hazards[name].warns_of}
        for outcome in (*step.outcomes(), "left out"):
            if outcome == "left out":
                if step.needs:
                    waiting.append(replace(here, step=procedure.after(step, "skip")))
                continue
            state = after_step(here.state, step, outcome)
            warned = set(here.warned)
            if state.power != here.state.power:
                warned = set()
            elif state.gas != here.state.gas:
                warned &= {"live parts"}
            if outcome != "skip":
                warned |= voiced
            waiting.append(Here(procedure.after(step, outcome), state, frozenset(warned)))
        for repair in procedure.repairs.values():
            waiting.append(Here(repair.restart, here.state))
    return seen


def test_on_no_path_is_a_danger_reached_without_its_warning(shelf, sound):
    met = set()
    for procedure in sound:
        for here in walk(procedure, shelf.hazards):
            step = procedure.step(here.step)
            own = {danger for name in step.hazards for danger in shelf.hazards[name].warns_of}
            for danger in dangers(step, shelf.quantities):
                met.add(danger)
                assert danger in own | here.warned, (procedure.name, step.id, danger)
    assert met >= {"stored energy", "live parts", "gas", "light-off", "spark", "flue gas", "flame failure", "leak"}


def test_ohms_are_read_dead_with_the_gas_shut_and_volts_before_the_gas_is_on(shelf, sound):
    for procedure in sound:
        for here in walk(procedure, shelf.hazards):
            for name in procedure.step(here.step).quantities:
                unit = shelf.quantities[name].unit
                if unit == "ohm":
                    assert (here.state.power, here.state.gas) == ("dead", "shut"), here.step
                if unit in ("volt", "ampere"):
                    assert (here.state.power, here.state.gas) == ("live", "shut"), here.step
                if unit == "microampere":
                    assert here.state.power == "live", here.step


@pytest.mark.parametrize("wall", ["jumpers", "leak-check", "flame-out", "vent", "monoxide-steady", "prove-dead"])
def test_what_every_path_that_leaves_the_gas_on_must_pass(shelf, sound, wall):
    for procedure in sound:
        step = procedure.step(wall)
        assert not step.skippable
        cut = broken(procedure, wall, next=dict.fromkeys(step.outcomes(), END))
        cut = cut.model_copy(update={"repairs": {}})
        assert "told" not in {here.step for here in walk(cut, shelf.hazards)}, procedure.name


def test_the_leak_check_is_the_last_of_all_and_asked_twice(sound):
    for procedure in sound:
        ids = [step.id for step in procedure.steps]
        assert ids[ids.index("leak-check") + 1] == "told"
        assert procedure.step("leak-check").confirm
        assert procedure.step("jumpers").confirm


def test_flame_failure_is_proved_with_the_gas_cock(sound):
    for procedure in sound:
        step = procedure.step("flame-out")
        assert "gas cock" in step.say
        assert step.sets.gas == "shut"
        assert "flame-failure" in step.hazards


def test_lp_is_checked_low_before_it_is_opened_and_locks_out_whole(sound):
    for procedure in sound:
        lp = procedure.fuel == "LP"
        low = [step for step in procedure.steps if "low-gas-check" in step.proves]
        opens = [step for step in procedure.steps if step.sets and step.sets.gas == "on" and step.kind == "do"]
        assert len(low) == (len(opens) + 1 if lp else 0), procedure.name
        locks = any("lock-out" in step.proves for step in procedure.steps)
        direct = procedure.ignition in ("direct spark", "hot surface")
        assert locks or not (lp or direct), procedure.name


def test_a_standing_pilot_shuts_down_within_180_seconds(shelf, sound):
    for procedure in sound:
        if procedure.ignition == "standing pilot":
            limits = shelf.limits_for(procedure.fuel, procedure.ignition, procedure.visit)
            assert limits["safe-shut-down-time"].high == 180
            assert "safe-shut-down-time" in procedure.step("flame-out").quantities
            assert procedure.step("thermocouple").needs == "thermocouple"


def test_every_change_of_power_or_gas_is_confirmed_and_warns_before_it(sound):
    for procedure in sound:
        for step in procedure.steps:
            if step.sets:
                assert not step.skippable
            as_found = step.kind == "check"  # it was on already when the visit came to it
            if step.sets and step.sets.power == "live":
                assert ("live-as-found" if as_found else "power-on") in step.hazards
            if step.sets and step.sets.gas == "on":
                assert ("gas-as-found" if as_found else "gas-on") in step.hazards


def test_every_sentence_is_short_enough_to_be_said_in_five_seconds(shelf, sound):
    """At 14 characters a second, measured; the voice cuts a longer one in two, and there it must have a comma."""
    said = {sentence for p in sound for step in p.steps for sentence in sentences(step.say)}
    said |= {sentence for hazard in shelf.hazards.values() for sentence in sentences(hazard.say)}
    assert [sentence for sentence in said if len(sentence) > 70 and "," not in sentence] == []


def test_nothing_in_the_data_sounds_like_a_permission(shelf, sound):
    said = " ".join(step.say + " ".join(step.bad.values()) for p in sound for step in p.steps).lower()
    said += " ".join(hazard.say for hazard in shelf.hazards.values()).lower()
    for word in ("safe to", "ok to", "you may", "approved", "go ahead", "allowed"):
        assert word not in said, word


def test_a_run_by_cause_is_safe_in_any_order_or_it_is_refused(shelf):
    """A warning that only a neighbour in the run gives is enough in the order as written, and in no other."""
    procedure = shelf.procedures["hot-surface-natural-gas-no-heat"]
    assert wrongs(shelf, procedure) == []
    changed = {
        "find-neighbours": {"hazards": ("burner-run",), "skippable": False},
        "find-flue-with-blower": {"hazards": ("hot-flue",)},
    }
    steps = tuple(step.model_copy(update=changed.get(step.id, {})) for step in procedure.steps)
    by_cause = procedure.model_copy(update={"steps": steps})
    written = by_cause.model_copy(update={"order": "written"})
    assert wrongs(shelf, written) == []
    told = wrongs(shelf, by_cause)
    assert told
    assert all("find-flue-with-blower" in says and "warning of flue gas" in says for says in told)


def test_no_step_that_changes_power_or_gas_or_leads_elsewhere_is_in_a_run(shelf):
    for procedure in shelf.procedures.values():
        for step in procedure.steps:
            run = procedure.run(step.id)
            assert not run or step in run
            assert not any(each.sets or each.next or each.kind == "do" for each in run)
            assert len({(each.power, each.gas) for each in run}) <= 1


def test_every_safety_test_says_what_is_asked_of_it():
    assert tuple(PROOFS) == get_args(Proof)
