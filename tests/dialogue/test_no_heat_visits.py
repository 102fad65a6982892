"""Twelve no heat visits, each to an appliance with one fault, worked in words through the whole dialogue.

What is told is the symptom; what is measured is written beside the step that asks it. Every other step is answered
as in an appliance that is in order, whatever steps there are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

import pytest
from simulated import Technician

from assistant.dialogue.state import Phase
from assistant.files import library
from assistant.trade.job import PlateValue
from assistant.trade.quantities import Overload

Answer = str | Decimal | Overload
OPEN = Overload.OPEN


@dataclass(frozen=True)
class Case:
    """symptom: as said. found: step -> what is measured or answered there. left: the same after what was mended.

    cause: the fault. repair: what is said to be repaired; empty where the step itself asks for the new part.
    if_asked: as found, for steps that not every procedure has.
    """

    procedure: str
    symptom: str
    found: Mapping[str, Answer]
    cause: str
    if_asked: Mapping[str, Answer] = field(default_factory=dict)
    repair: str = ""
    left: Mapping[str, Answer] = field(default_factory=dict)


HOT_SURFACE = "hot-surface-natural-gas-no-heat"
DIRECT_SPARK = "direct-spark-natural-gas-no-heat"
INTERMITTENT_PILOT = "intermittent-pilot-natural-gas-no-heat"
STANDING_PILOT = "standing-pilot-natural-gas-no-heat"

CASES = {
    "weak flame signal with a good rod": Case(
        HOT_SURFACE,
        "drops out",
        {"find-rod-look": "yes", "ground-path": Decimal("6.2"), "polarity": "yes", "flame": Decimal("0.7")},
        "furnace or burner ground poor",
        repair="ground repaired",
        left={"ground-path": Decimal("0.4"), "flame": Decimal("2.4")},
    ),
    "open igniter": Case(
        HOT_SURFACE,
        "no glow",
        {
            "igniter-cold": OPEN,
            "igniter-new": "yes",
            "igniter-cold-left": Decimal(62),
            "igniter-supply": Decimal("118.5"),
            "find-glow": "yes",
        },
        "igniter element open",
    ),
    "pressure switch not closing": Case(
        HOT_SURFACE,
        "pressure switch open",
        {"find-hose": "yes", "pressure-switch": OPEN, "find-suction": Decimal("0.32")},
        "inducer weak",
        if_asked={"vent-clear": "yes"},
    ),
    "cracked igniter that passes its resistance": Case(
        HOT_SURFACE,
        "weak glow",
        {"igniter-cold": Decimal(71), "igniter-supply": Decimal("119.0"), "igniter-amps": Decimal("1.85")},
        "igniter hairline crack",
    ),
    "pilot lights, main does not": Case(
        STANDING_PILOT,
        "pilot lights main burner does not",
        {"find-valve-knob": "yes", "pilot-flame": "yes", "thermopile": Decimal(180)},
        "thermopile weak",
    ),
    "spark without gas": Case(
        DIRECT_SPARK,
        "spark no gas",
        {"spark-seen": "yes", "find-valve-voltage": "yes", "inlet-standing": Decimal("0.1")},
        "gas shut at the inlet",
    ),
    "gas without spark": Case(
        DIRECT_SPARK,
        "gas no spark",
        {"find-gap": "yes", "spark-cable": "no"},
        "spark cable leaking or open",
        repair="spark cable replaced",
        left={"spark-cable": "yes", "spark-seen": "yes"},
    ),
    "flame lifts": Case(
        HOT_SURFACE,
        "flame lifting",
        {"manifold": Decimal("3.5"), "find-flame-seated": "no", "find-air-shutter": "no"},
        "too much primary air",
    ),
    "short cycling": Case(
        HOT_SURFACE,
        "short cycling",
        {"find-thermostat": "yes", "find-static": Decimal("0.92")},
        "filter, coil or registers blocked",
    ),
    "weak thermocouple": Case(
        STANDING_PILOT,
        "pilot will not stay lit",
        {"find-contacts": "yes", "pilot-flame": "yes", "thermocouple": Decimal("7.5")},
        "thermocouple weak",
        if_asked={"thermocouple-open": Decimal("26.0")},
        repair="thermocouple replaced",
        left={"thermocouple": Decimal("15.0")},
    ),
    "reversed polarity": Case(
        HOT_SURFACE,
        "no flame signal",
        {"rod-unlit": OPEN, "find-rod-wire": "yes", "polarity": "no"},
        "line polarity reversed",
        repair="polarity repaired",
        left={"polarity": "yes"},
    ),
    "poor ground": Case(
        INTERMITTENT_PILOT,
        "unsteady flame signal",
        {"ground-path": Decimal("0.5"), "burner-ground": Decimal("4.1")},
        "burner or ground loose",
        repair="ground repaired",
        left={"burner-ground": Decimal("0.3")},
    ),
}

PLATE = {
    "igniter-resistance": PlateValue(unit="ohm", low=Decimal(40), high=Decimal(90)),
    "igniter-voltage": PlateValue(unit="volt", low=Decimal(102), high=Decimal(132)),
    "igniter-current": PlateValue(unit="ampere", low=Decimal(3), high=Decimal(5)),
    "pressure-switch-pressure": PlateValue(unit="inH2O", low=Decimal("0.8")),
    "thermopile-millivolts": PlateValue(unit="millivolt", low=Decimal(350)),
    "temperature-rise": PlateValue(unit="delta_degF", low=Decimal(40), high=Decimal(70)),
}


class Visit(Technician):
    """A visit to an appliance that is in order but for what is written for a step."""

    def __init__(self, case: Case) -> None:
        super().__init__(library().procedures[case.procedure])
        rules = self.dialogue.rules
        job = rules.job.model_copy(update={"plate": PLATE, "meters": ()})
        self.dialogue = replace(self.dialogue, rules=replace(rules, job=job))
        self.case = case
        self.begin()

    def work_until_asked(self, answers: Mapping[str, Answer], if_asked: Mapping[str, Answer] = {}) -> None:
        """On, until each of these steps was answered."""
        open_yet = set(answers)
        known = {**if_asked, **answers}
        for _ in range(600):
            if not open_yet:
                return
            if self.state.phase is not Phase.ASKING or self.state.hand.untold:
                assert self.state.phase is not Phase.DECIDING, f"the visit ends, and nobody asked {sorted(open_yet)}"
                self.turn()
                continue
            step = self.procedure.step(self.state.step)
            if step.id == "complaint" and not self.state.symptom:
                self.say(f"symptom {self.case.symptom}")
                assert self.state.symptom
                continue
            if step.id not in known:
                ways = [o for o in self.plain_first(step.id) if o not in step.bad]
                self.answer_step(min(ways, key=lambda o: (o not in (step.good, "noted"), o == "skip")), first=True)
                continue
            answer = known[step.id]
            self.say(answer if isinstance(answer, str) else self.words(step, answer))
            while self.state.phase is Phase.CONFIRMING:
                self.say("yes")
            open_yet.discard(step.id)
        raise AssertionError(f"nobody asked {sorted(open_yet)}")

    def repair(self, name: str) -> None:
        """Says what was repaired."""
        self.say(f"repair {name}")
        self.say("yes")
        assert self.procedure.repairs[self.state.repairs[-1].name].say == name

    def probable_causes(self) -> list[str]:
        """What is said of the cause."""
        self.say("probable cause")
        body: dict[str, Any] = self.notes_of("probable-cause")[-1]
        return [cause for cause, _ in body["causes"]]

    def notes_of(self, kind: str) -> list[dict[str, Any]]:
        return [note.body for note in self.notes if note.kind == kind]

    def measured(self) -> dict[str, list[Answer]]:
        """Step -> what was taken there, in order."""
        taken: dict[str, list[Answer]] = {}
        for note in self.notes:
            if note.kind == "answer":
                taken.setdefault(note.body["step"], []).append(note.body["answer"])
        for reading in self.state.readings:
            taken.setdefault(reading.step, []).append(reading.value)
        return taken


@pytest.mark.parametrize("name", CASES)
def test_a_no_heat_visit_ends_at_its_cause(name):
    case = CASES[name]
    visit = Visit(case)
    visit.work_until_asked(case.found, case.if_asked)
    assert case.cause in visit.probable_causes()[:2]
    measured = visit.measured()
    assert {step: measured[step][0] for step in case.found} == dict(case.found)
    if not case.left:
        return
    visit.repair(case.repair)
    visit.work_until_asked(case.left)
    measured = visit.measured()
    assert {step: measured[step][-1] for step in case.left} == dict(case.left)
    assert case.cause in visit.probable_causes()[:2]  # what was found stays the cause, now that all is mended


def test_there_are_twelve():
    assert len(CASES) == 12


def test_the_cause_of_a_fault_that_is_mended_comes_first_and_says_what_was_found():
    for name, observation, outcome in (
        ("open igniter", "igniter-resistance", "open"),
        ("weak flame signal with a good rod", "ground-path", "high"),
        ("reversed polarity", "polarity", "reversed"),
    ):
        case = CASES[name]
        visit = Visit(case)
        visit.work_until_asked(case.found)
        if case.left:
            visit.repair(case.repair)
            visit.work_until_asked(case.left)
        assert visit.probable_causes()[0] == case.cause
        assert visit.notes_of("probable-cause")[-1]["because"] == [observation, outcome]


def test_a_check_that_is_only_there_to_find_a_fault_is_asked_again_once_a_repair_touched_it():
    visit = Visit(Case(HOT_SURFACE, "lights late", {}, ""))
    cleaned = visit.procedure.repairs["burners-cleaned"]
    cleaned = cleaned.model_copy(update={"voids": tuple({*cleaned.voids, "find-burners"})})
    repairs = {**visit.procedure.repairs, "burners-cleaned": cleaned}
    visit.procedure = visit.procedure.model_copy(update={"repairs": repairs})
    visit.dialogue = replace(visit.dialogue, rules=replace(visit.dialogue.rules, procedure=visit.procedure))
    visit.work_until_asked({"find-burners": "no"})
    assert visit.probable_causes()[0] == "burner or crossover dirty"
    visit.repair("burners cleaned")
    visit.work_until_asked({"find-burners": "yes"})
    assert visit.measured()["find-burners"] == ["no", "yes"]
    assert visit.probable_causes()[0] == "burner or crossover dirty"


def test_what_the_symptom_says_is_checked_where_a_check_is_there():
    visit = Visit(Case(HOT_SURFACE, "pressure switch closed", {}, ""))
    visit.work_until_asked({"find-pressure-switch-off": "no"})
    assert visit.probable_causes()[0] == "pressure switch welded"


def test_a_symptom_after_which_nothing_is_run_as_found_says_so():
    visit = Visit(Case(HOT_SURFACE, "", {}, ""))
    visit.go_to("complaint")
    assert "No cycle is run before the cold checks." in visit.hear("symptom boom")
    assert "No cycle is run before the cold checks." not in visit.hear("symptom no glow")
    assert "Say what the code means, as a symptom." in visit.hear("symptom fault code")
    assert "No cause is known of it with this ignition." in visit.hear("symptom magnet late")
