"""Parts that procedures include: what is for whom, and that a mistake is told where it is written."""

import pytest

from assistant.errors import Problem
from assistant.files import Library
from assistant.trade.job import Appliance, Job, Person
from assistant.trade.procedures import Step, left_out

HEAD = """\
name: mine
title: mine
ignition: standing pilot
fuel: LP
visit: yearly check
steps:
"""


@pytest.fixture
def shop(tmp_path):
    """A shop's folder with the given files."""

    def make(**files: str) -> Library:
        for name, text in files.items():
            path = tmp_path / f"{name.replace('__', '/')}.yaml"
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        return Library(tmp_path)

    return make


def step(name: str, *more: str) -> str:
    lines = [f"  - id: {name}", f"    title: {name}", "    kind: do", f"    say: Do {name}. Say done."]
    return "\n".join([*lines, *(f"    {line}" for line in more), ""])


def test_steps_and_repairs_of_a_part_come_in_its_place_and_only_where_they_hold(shop):
    part = (
        "steps:\n"
        + step("lp-only", "only: {fuel: LP}")
        + step("gas-only", "only: {fuel: natural gas}")
        + step("pilots", "only: {ignition: [standing pilot, intermittent pilot], visit: yearly check}")
        + "repairs:\n  cleaned: {say: pilot cleaned, voids: [flame-signal], restart: first}\n"
        + "  sparked: {say: gap set, voids: [flame-signal], restart: first, only: {ignition: direct spark}}\n"
    )
    steps = step("first") + "  - include: pilot\n  - {include: pilot, only: {fuel: natural gas}}\n" + step("last")
    library = shop(parts__pilot=part, procedures__mine=HEAD + steps)
    (procedure,), _ = library.examine(library.shop / "procedures" / "mine.yaml")
    assert [s.id for s in procedure.steps] == ["first", "lp-only", "pilots", "last"]
    assert list(procedure.repairs) == ["cleaned"]
    assert not hasattr(procedure.step("pilots"), "only")


def test_a_warning_that_is_only_for_some_is_voiced_for_them(shop):
    named = step(
        "first", "hazards: [leak, spark, taps]", "hazards_only: {leak: {fuel: LP}, spark: {ignition: hot surface}}"
    )
    library = shop(procedures__mine=HEAD + named)
    (procedure,), _ = library.examine(library.shop / "procedures" / "mine.yaml")
    assert procedure.step("first").hazards == ("leak", "taps")


def test_a_mistake_in_a_part_is_told_at_its_own_line(shop):
    library = shop(
        parts__pilot="# a part\nsteps:\n" + step("odd", "hazards: [lions]"),
        procedures__mine=HEAD + step("first") + "  - include: pilot\n",
    )
    _, flaws = library.examine(library.shop / "procedures" / "mine.yaml")
    here = next(flaw for flaw in flaws if "lions" in flaw.says)
    assert (here.path, here.line) == (library.shop / "parts" / "pilot.yaml", 7)


@pytest.mark.parametrize(
    ("part", "said"),
    [
        ("steps: [{include: pilot}]\n", "parts/pilot.yaml, line 1, column 9: the part 'pilot' includes itself"),
        ("steps:\n  - include: lost\n", "parts/pilot.yaml, line 2, column 5: there is no part 'lost'"),
        ("steps:\n" + step("a", "onyl: {fuel: LP}"), "line 6, column 5: steps.0.onyl: no such key"),
        ("steps:\n" + step("a", "only: {fuel: coal}"), "line 6, column 12: steps.0.only.fuel.0: it must be"),
        ("steps:\n" + step("a", "hazards_only: {leak: {fuel: LP}}"), "the step 'a' has no hazard 'leak'"),
        ("repairs: {x: {say: x, voids: [no-such], restart: first}}\n", "pilot.yaml, line 1, column 31: the repair 'x'"),
        ("repairs: {x: {say: x, voids: [draft], restart: lost}}\n", "no step has that id"),
    ],
)
def test_what_does_not_fit_is_told(shop, part, said):
    library = shop(parts__pilot=part, procedures__mine=HEAD + step("first") + "  - include: pilot\n")
    with pytest.raises(Problem) as wrong:
        library.read_procedures(library.shop / "procedures" / "mine.yaml")
    assert said in str(wrong.value)


def test_a_shops_entry_takes_the_place_of_the_shipped_one(shop, shelf):
    library = shop(
        limits="draft: {unit: inH2O, high: 0, authority: supplier, source: {mark: common practice}}\n",
        hazards="leak: {level: danger, say: No flame., source: {mark: common practice}}\n",
    )
    assert library.limits["draft"][0].authority == "supplier"
    assert library.hazards["leak"].say == "No flame."
    assert library.limits.keys() > {"ambient-co", "draft"}
    assert shelf.hazards["leak"].say != "No flame."


def test_a_timed_step_names_its_events_in_order():
    body = {"id": "a", "title": "a", "say": "Mark.", "kind": "time", "events": ["glow", "gas", "flame"]}
    timed = Step.model_validate({**body, "times": {"warm-up-time": ["glow", "gas"]}})
    assert timed.quantities == ("warm-up-time",)
    assert "fail" in timed.outcomes()
    for times in ({}, {"warm-up-time": ["gas", "glow"]}, {"warm-up-time": ["glow", "spark"]}):
        with pytest.raises(ValueError, match="events"):
            Step.model_validate({**body, "times": times})


def test_only_a_part_that_is_not_there_leaves_a_step_out():
    switch = Step(id="a", title="a", say="a", kind="check", needs="pressure switch")

    def job(fitted: tuple[str, ...] | None) -> Job:
        appliance = Appliance(description="x", fuel="LP", ignition="direct spark", fitted=fitted)
        return Job(site="x", appliance=appliance, technician=Person(name="x"))

    assert left_out(switch, job(("pressure switch",))) == ""
    assert left_out(switch, job(None)) == ""
    assert left_out(switch, job(())) == "the job file says that no pressure switch is fitted"
