"""The gate: no path leads to gas, light or a running burner while something forbids it, but for one lighting.

The oracle below reads what a record would hold (notes), not the dialogue's own bookkeeping.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from random import Random

import pytest
import simulated

from assistant.dialogue import gate
from assistant.dialogue.effects import Note
from assistant.dialogue.state import Phase
from assistant.files import library
from assistant.trade.computations import FINDINGS
from assistant.trade.procedures import Procedure, Step

OPEN = (Phase.ASKING, Phase.WARNING, Phase.CONFIRMING, Phase.TIMED, Phase.MISSED)
"""Phases in which a step is open."""

ACTS_OF_A_FAIL = {"fail", "conditional-fail", "conditional-pass"}


@dataclass
class Oracle:
    """What forbids what, from the notes alone. forbids: what is about it -> the acts, and how it stands."""

    procedure: Procedure
    forbids: dict[str, tuple[set[str], str]] = field(default_factory=dict)
    lit: set[str] = field(default_factory=set)  # lighting steps opened since the last repair
    at: str = ""

    def notes(self, notes: list[Note]) -> None:
        for note in notes:
            body = note.body
            if note.kind in ("reading", "finding"):
                self._measured(body.get("quantity") or body["finding"], body)
            elif note.kind == "remark":
                acts = self.procedure.step(body["step"]).forbids
                if acts:
                    self.forbids[body["step"]] = (set(acts), "found")
            elif note.kind == "answer":
                step = self.procedure.step(body["step"])
                bad = step.bad.get("yes" if body["answer"] == "yes" else "no")
                if not bad and self.forbids.get(step.id, ((), ""))[1] in ("mended", "taken back"):
                    del self.forbids[step.id]
            elif note.kind == "correction":
                about = body.get("quantity", body["step"])
                for name in (about, *body.get("findings", ())):
                    if name in self.forbids and self.forbids[name][1] == "found":
                        self.forbids[name] = (self.forbids[name][0], "taken back")
            elif note.kind == "repair":
                self.lit = set()
                self._mended(self.procedure.repairs[body["repair"]].voids)
            elif note.kind == "area-clear":
                pass  # nothing that was found is forgotten

    def _measured(self, name: str, body: dict) -> None:
        forbids = ((body.get("limit") or {}).get("forbids") or {}) if body.get("verdict") else {}
        outside = body.get("verdict") in ACTS_OF_A_FAIL
        if body.get("verdict") == "conditional-pass":
            outside = bool(body["limit"].get("guarded"))
        value = body.get("judged", body.get("value", ""))
        if forbids and value == "over-range":
            outside = "high" in body["limit"] or "above" in forbids
        elif forbids.get("above") is not None and outside:
            outside = value == "over-range" or (value != "open" and float(value) > float(forbids["above"]))
        if forbids and outside:
            self.forbids[name] = (set(forbids["acts"]), "found")
        elif (
            name in self.forbids
            and body.get("verdict") not in (None, "cannot-judge")
            and self.forbids[name][1] in ("mended", "taken back")
        ):
            del self.forbids[name]

    def _mended(self, voids: tuple[str, ...]) -> None:
        for name, (acts, _) in self.forbids.items():
            inputs = FINDINGS[name].readings if name in FINDINGS else (name,)
            steps = [s.id for s in self.procedure.steps if set(s.quantities) & set(inputs)]
            if set(voids) & {name, *inputs, *steps}:
                self.forbids[name] = (acts, "mended")

    def _is_cold(self, name: str) -> bool:
        """Whether it is measured before anything is lit."""
        steps = self.procedure.steps
        lights = next(at for at, s in enumerate(steps) if s.burner == "lights" and not s.never_after)
        inputs = FINDINGS[name].readings if name in FINDINGS else (name,)
        return any(s.id == name or set(s.quantities) & set(inputs) for s in steps[:lights])

    def broken(self, step: Step) -> str:
        """What forbids the step that is open; empty where nothing does."""
        if step.act is None:
            self.at = step.id
            return ""
        for name, (acts, stands) in self.forbids.items():
            if step.act not in acts:
                continue
            if stands != "mended":
                return f"{step.id} is open, and {name} ({stands}) forbids {step.act}"
            if step.act != "gas on" and self._is_cold(name):
                return f"{step.id} is open, and {name} was mended and not measured again"
            if step.act == "lighting" and step.id in self.lit and step.id != self.at:
                return f"{step.id} lights once more, and {name} was not measured again"
        self.at = step.id
        if step.act == "lighting":
            self.lit.add(step.id)
        return ""


@dataclass
class Wanderer(simulated.Technician):
    """Answers at random, often badly; repairs, corrects, skips and goes back as it comes."""

    seed: int = 0
    skips: bool = False  # what a repair asks again is skipped where it can be

    def wander(self, most: int) -> Oracle:
        """A visit of random answers."""
        draw = Random(self.seed)
        self.begin()
        return self.go_on(draw, Oracle(self.procedure), 0, most)

    def aim(self, step: str, outcome: str, most: int) -> Oracle:
        """A visit to one finding that forbids, which is then left by a way that must not open the gate, or by a repair
        after which what can be skipped is skipped."""
        draw, oracle = Random(self.seed), Oracle(self.procedure)
        self.go_to(step)
        self.answer_step(outcome, first=True)
        way = draw.choice(["go back", "correction", "repair"])
        if way == "repair":
            self.skips = True
        else:
            self.say(way)
            if way == "go back" and (self.state.phase, self.state.step) == (Phase.ASKING, step):
                self.choose_and_say(draw, self.procedure.step(step), good=True)
        return self.go_on(draw, oracle, 0, most)

    def go_on(self, draw: Random, oracle: Oracle, seen: int, most: int) -> Oracle:
        for _ in range(most):
            oracle.notes(self.notes[seen:])
            seen = len(self.notes)
            phase, step = self.state.phase, self.procedure.step(self.state.step)
            if phase is Phase.CLOSED:
                break
            if phase in OPEN and not self.state.hand.correcting:
                wrong = oracle.broken(step)
                assert not wrong, (self.seed, wrong)
            self.one(draw, phase, step)
        return oracle

    def one(self, draw: Random, phase: Phase, step: Step) -> None:
        chance = draw.random()
        if phase is Phase.BARRED:
            any_of_them = [f"repair {repair.say}" for repair in self.procedure.repairs.values()]
            self.say(self.mended() if chance < 0.8 else draw.choice([*any_of_them, "correction", "shut down"]))
        elif chance < 0.01:
            self.say("correction")
        elif chance < 0.015:
            self.say("go back")
        elif chance < 0.02 and phase in (Phase.ASKING, Phase.WARNING):
            self.say(f"repair {self.procedure.repairs[draw.choice(list(self.procedure.repairs))].say}")
        elif phase is Phase.ASKING and self.state.hand.untold:
            self.say("skip")
        elif phase is Phase.ASKING and not self.state.hand.correcting:
            self.choose_and_say(draw, step)
        elif phase is Phase.ASKING:
            self.say(draw.choice(["skip", "yes", "no", "correction"]))
        elif phase is Phase.HOLDING:
            self.say("go on")
        elif phase is Phase.EMERGENCY:
            self.say("area clear")
        elif phase in (Phase.CONFIRMING, Phase.TIMED):
            self.say(draw.choice(["yes"] * 9 + ["no"]))
        else:
            self.say(self.other(phase))

    def choose_and_say(self, draw: Random, step: Step, good: bool = False) -> None:
        answers = self.answers(step)
        plain = [outcome for outcome in (step.good, "pass", "noted") if outcome in answers]
        limits = [self.dialogue.rules.limits.get(name) for name in (*step.quantities, *step.works_out)]
        forbids = step.forbids or any(limit and limit.forbids for limit in limits)
        # What is asked again after a repair is often skipped or found bad again.
        worse = 0.3 if step.id in self.state.as_left else 0.12 if forbids else 0.02
        outcome = draw.choice(list(answers)) if (draw.random() < worse and not good) or not plain else plain[0]
        if self.skips and step.id in self.state.as_left and "skip" in answers:
            outcome = "skip"
        start = self.at_s + 1
        for text in draw.choice(answers[outcome]):
            moment = text.rpartition(" mark")[0]
            self.say("mark", start + float(moment[1:])) if text.startswith("@") else self.say(text)
        self.at_s += 60


@cache
def procedures() -> dict[str, Procedure]:
    return library().procedures


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=() if name in simulated.FOUR else pytest.mark.visits)
        for name in sorted(library().procedures)
    ],
)
def test_no_path_lights_or_runs_while_something_forbids_it(name):
    """Random visits; `make bench-gate` walks many more of them."""
    closed = 0
    for seed in range(6):
        technician = Wanderer(procedures()[name], seed=seed)
        aims = forbidding(technician)
        if seed:
            _, step, outcome = Random(seed).choice(aims)
            technician.aim(step, outcome, 250)
        else:
            technician.wander(400)
        closed += sum(note.kind == "barred" for note in technician.notes)
    assert closed, "no walk came to the gate"


def forbidding(technician: simulated.Technician) -> list[tuple[str, str, str]]:
    """(what it is about, step, outcome) of every finding that forbids something and that one answer can make."""
    rules, found = technician.dialogue.rules, []
    for step in technician.procedure.steps:
        answers = technician.answers(step)
        if step.if_it_tells:
            continue
        found += [(step.id, step.id, answer) for answer in step.bad if step.forbids and answer in answers]
        for name in step.quantities if step.kind == "read" else ():
            limit = rules.limits.get(name)
            if limit and limit.forbids and "fail" in answers and limit.emergency_from is None:
                found.append((name, step.id, "fail"))
    return found


TABLE = [
    (name, *each)
    for name in (
        "hot-surface-natural-gas-yearly",
        "direct-spark-lp-commissioning",
        "intermittent-pilot-natural-gas-no-heat",
        "standing-pilot-lp-yearly",
    )
    for each in forbidding(simulated.Technician(library().procedures[name]))
]


@pytest.mark.parametrize(("name", "about", "step", "outcome"), TABLE, ids=str)
def test_a_forbidding_finding_closes_the_way_until_it_is_mended_and_measured_again(name, about, step, outcome):
    technician = simulated.Technician(library().procedures[name], visits=1)
    procedure, rules = technician.procedure, technician.dialogue.rules
    of = procedure.step(step)
    technician.go_to(step)
    technician.answer_step(outcome, first=True)
    bar = next((b for b in gate.bars(rules, technician.state) if b.about == about), None)
    if bar is None:  # a low value of a limit that forbids only high ones
        limit = rules.limits[about].forbids
        assert limit.above is not None or limit.below is not None
        return
    acts = set(bar.acts)
    assert acts == set(of.forbids or rules.limits[about].forbids.acts)

    opened = on_until_the_gate(technician, about)
    assert not opened & acts, f"{about} forbids {acts}"
    if "lighting" not in acts:  # it forbids leaving on, and is told at the end
        assert about in {b.about for b in gate.forbidding(rules, technician.state, "leaving on")}
        return
    told = [note.body for note in technician.notes if note.kind == "barred"]
    went_down = technician.state.step in procedure.shut_down or any(
        note.kind == "site" and note.body["gas"] == "shut" for note in technician.notes
    )
    assert told or went_down
    if technician.state.phase is Phase.BARRED:
        assert any(said.startswith(("No lighting.", "No gas on.")) for said in technician.said)
        assert technician.said[-1] == "Or say shut down."
        for word in ("next", "yes", "skip", "go back"):  # none of them opens it
            technician.say(word)
            assert technician.state.phase is Phase.BARRED

    repairs = [r for r in procedure.repairs.values() if set(r.voids) & {about, *FINDINGS_OF.get(about, ())}]
    if of.no_repair:
        assert not repairs, "only the shut-down is left"
        return
    if step not in ("taps-tight", "plugs-tight", "leak-check", "arrival-air", "air-left"):  # mended by a step
        technician.say(f"repair {repairs[0].say}")
        technician.say("yes")
    for _ in range(400):
        if about not in {b.about for b in gate.bars(rules, technician.state)}:
            break
        assert technician.state.phase not in (Phase.BARRED, Phase.DECIDING, Phase.CLOSED), technician.state.step
        good(technician)
    else:
        raise AssertionError("it was never measured again")


FINDINGS_OF: dict[str, tuple[str, ...]] = {name: finding.readings for name, finding in FINDINGS.items()}


def good(technician: simulated.Technician) -> None:
    """One answer with which nothing is wrong."""
    step = technician.procedure.step(technician.state.step)
    hand = technician.state.hand
    if technician.state.phase is Phase.ASKING and not (hand.untold or hand.correcting):
        answers = technician.answers(step)
        fine = next(o for o in (step.good, "pass", "noted", "cannot-judge", "caution", *answers) if o in answers)
        technician.answer_step(fine, first=True)
    else:
        technician.say(technician.other(technician.state.phase))


def on_until_the_gate(technician: simulated.Technician, about: str) -> set[str]:
    """Goes on with good answers to the gate, the shut-down, the repair or the end; what was opened on the way."""
    opened: set[str] = set()
    for _ in range(400):
        step = technician.procedure.step(technician.state.step)
        if technician.state.phase in OPEN and step.act:
            opened.add(step.act)
        stands = {bar.about: bar.stands for bar in gate.bars(technician.dialogue.rules, technician.state)}
        if technician.state.phase in (Phase.BARRED, Phase.DECIDING) or stands.get(about) != "found":
            return opened
        if step.id in technician.procedure.shut_down:
            return opened
        good(technician)
    raise AssertionError("neither the gate nor the end was reached")
