"""A simulated technician: works whole visits in words, and chooses the answers so that every branch is taken.

A branch is a step and an outcome that it can end in at the job in hand. Which outcomes those are is found by
judging values around the bounds of the limits, not by reading the procedure's own `next`. The technician walks the
graph of the steps: at each it takes a branch not taken yet, or else the way to the nearest one.
"""

from __future__ import annotations

import itertools
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cache, cached_property, partial
from random import Random

from script import patience

from assistant.dialogue import gate, timers
from assistant.dialogue.effects import Note, Say
from assistant.dialogue.events import Clock, Event, Opened, Said, Voiced
from assistant.dialogue.figures import judge_reading, work_out
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Candidate, Deciding, Phase, State, Taken
from assistant.files import library
from assistant.language.heard import Heard
from assistant.language.meaning import Meaning, Question, Value
from assistant.language.spoken import spoken_number, spoken_unit
from assistant.language.utterance import Language
from assistant.trade.computations import FINDINGS
from assistant.trade.history import History
from assistant.trade.job import Appliance, Gas, Job, Meter, Person, PlateValue
from assistant.trade.judging import RANK, MeterAccuracy
from assistant.trade.procedures import EMERGENCY, END, Procedure, Step
from assistant.trade.quantities import Overload

FOUR = (
    "direct-spark-lp-no-heat",
    "hot-surface-natural-gas-commissioning",
    "intermittent-pilot-natural-gas-safety-test",
    "standing-pilot-lp-yearly",
)
"""Procedures for a test that is too long for all: one of each ignition system and kind of visit, two of each fuel."""

LONGEST_VISIT = 3000  # utterances: a visit that takes more goes round in circles
Branch = tuple[str, str]


class Remembering(Language):
    """The language, which remembers what it made of words: the same few are said over and over."""

    @cached_property
    def _known(self) -> dict[tuple[str, Question, tuple[Value, ...]], Meaning]:
        return {}

    def understand(self, text: str, question: Question, refused: tuple[Value, ...] = ()) -> Meaning:
        key = (text, question, tuple(refused))
        if key not in self._known:
            self._known[key] = super().understand(text, question, refused)
        return self._known[key]


@cache
def language() -> Language:
    """The project's language."""
    return Remembering(library().grammar, library().quantities)


def job_for(procedure: Procedure, bare: bool = False) -> Job:
    """An invented job that feeds every step of a procedure; `bare`: one that leaves out what can be left out."""
    shelf = library()
    limits = shelf.limits_for(procedure.fuel, procedure.ignition, procedure.visit)
    plate = {
        name: PlateValue(unit=limit.unit, low=Decimal(40), high=Decimal(170 if name == "supply-temperature" else 90))
        for name, limit in limits.items()
        if limit.plate_only
    }
    meters = tuple(
        Meter(
            name=f"invented meter for {quantity.name}",
            measures=(quantity.name,),
            accuracy=MeterAccuracy(
                percent_of_reading=Decimal(1), counts=Decimal(2), resolution=quantity.resolution, unit=quantity.unit
            ),
        )
        for quantity in shelf.quantities.values()
    )
    return Job(
        invented=True,
        site="invented",
        visit=procedure.visit,
        appliance=Appliance(
            description="invented",
            fuel=procedure.fuel,
            ignition=procedure.ignition,
            fitted=() if bare else None,
        ),
        technician=Person(name="Robin Roe"),
        plate={} if bare else plate,
        gas=None if bare else Gas(heating_value_btu_ft3=Decimal(1000), dial_ft3=Decimal("0.5")),
        meters=meters,
    )


Plans = dict[str, dict[str, list[list[str]]]]
"""Step -> outcome -> ways to say what ends the step in it."""

_PLANS: dict[tuple[str, bool], Plans] = {}


@dataclass
class Technician:
    """Works visits by one procedure. taken: the branches taken so far. heard: what the assistant noted, in all."""

    procedure: Procedure
    bare: bool = False
    history: History = field(default_factory=History)
    most_repairs: int = 1  # of one kind, in a visit
    taken: set[Branch] = field(default_factory=set)
    notes: list[Note] = field(default_factory=list)
    said: list[str] = field(default_factory=list)  # what the assistant answered to the last utterance
    events: list[Event] = field(default_factory=list)  # of the visit in hand
    visits: int = 0
    at_s: float = 0.0

    def __post_init__(self) -> None:
        job = job_for(self.procedure, self.bare)
        self.dialogue = Dialogue(language(), replace(library().rules_for(job, self.history), procedure=self.procedure))
        self.state = self.dialogue.start()
        self._steps = {step.id: step for step in self.procedure.steps}
        self._targets: dict[Branch, str] = {}
        self._plain_first: dict[str, list[str]] = {}
        shipped = self.procedure is library().procedures.get(self.procedure.name)
        # What a step can end in follows from the procedure and its invented job, and is found once.
        self._plans = _PLANS.setdefault((self.procedure.name, self.bare), {}) if shipped else {}
        self._rules, self._own_plans = self.dialogue.rules, Plans()
        self._tried: Counter[Branch] = Counter()
        self._draw = Random(7)

    # --- talking

    def event(self, event: Event) -> None:
        """One event, and what follows from the assistant's words being played."""
        self.said = []
        while True:
            self.events.append(event)
            self.state, effects = self.dialogue.step(self.state, event)
            self.notes += [effect for effect in effects if isinstance(effect, Note)]
            self.said += [effect.text for effect in effects if isinstance(effect, Say)]
            if not any(isinstance(effect, Say) for effect in effects):
                return
            event = Voiced(complete=True)

    def say(self, text: str, at_s: float | None = None) -> None:
        """Says one utterance."""
        self.at_s = patience(self.state, self.at_s + 5) if at_s is None else float(at_s)
        self.event(Said(Heard(text), round(self.at_s, 3), f"{len(self.events):04d}.flac"))

    def hear(self, *texts: str) -> str:
        """Says these; what the assistant answers to the last."""
        for text in texts:
            self.say(text)
        return " ".join(self.said)

    def due_s(self) -> float | None:
        """When the clock is asked for next."""
        return timers.due_s(self.dialogue, self.state)

    def run_clock(self, until_s: float) -> list[tuple[float, str]]:
        """What the timers tell until then, with when."""
        told = []
        while (at := self.due_s()) is not None and at <= until_s:
            self.event(Clock(at))
            told.append((at, " ".join(self.said)))
        return told

    def note(self, kind: str) -> dict:
        """The first note of a kind."""
        return next(note.body for note in self.notes if note.kind == kind)

    def begin(self) -> None:
        """A new visit."""
        self.state, self.events, self.at_s = self.dialogue.start(), [], 0.0
        self.visits += 1
        self.event(Opened())

    # --- what a step can end in, and the words for it

    @cached_property
    def possible(self) -> set[Branch]:
        """Every branch that this job can take, whatever the fault is."""
        steps = [step for step in self.procedure.steps if not step.if_it_tells]
        return {(step.id, outcome) for step in steps for outcome in self.answers(step)}

    def answers(self, step: Step) -> dict[str, list[list[str]]]:
        """Outcome -> ways to say what ends the step in it, each some utterances."""
        # A test that changes the rules afterwards has answers of its own.
        plans = self._plans if self.dialogue.rules is self._rules else self._own_plans
        if step.id not in plans:
            plans[step.id] = self._find_answers(step)
        return plans[step.id]

    def _find_answers(self, step: Step) -> dict[str, list[list[str]]]:
        found: dict[str, list[list[str]]] = {}
        if step.kind == "do":
            found = {"done": [["done"]]}
        elif step.kind == "check":
            found = {"yes": [["yes"]], "no": [["no"]]}
        elif step.kind == "read":
            for value in self._values(step.quantity or ""):
                for outcome in self._outcomes(step, value):
                    found.setdefault(outcome, []).append([self.words(step, value)])
        else:
            for seconds in self._times(step):
                outcome = max((self._outcome(step, q, s, timed=True) for q, s in seconds.items()), key=RANK.index)
                found.setdefault(outcome, []).append(self._marks(step, seconds))
            found.setdefault("cannot-judge", [["done", *(["skip", "no time"] * len(step.times))]])
        if step.skippable:
            found["skip"] = [["skip", "no time"]]
        return found

    def _outcomes(self, step: Step, value: Value) -> set[str]:
        """What a step can end in with this value: its own verdict, or worse where it completes a finding."""
        own = self._outcome(step, step.quantity or "", value)
        outcomes = {own}
        for name in step.works_out:
            others = [q for q in FINDINGS[name].readings if q != step.quantity]
            for values in itertools.product(*(list(self._values(q))[::3] for q in others)):
                mine = self._taken(step, step.quantity or "", value)
                state = State(step=step.id, facts=(mine, *map(partial(self._taken, step), others, values)))
                found = work_out(self.dialogue.rules, state.standing, name, step.id)
                if found.verdict:
                    outcomes.add(max(own, found.verdict.outcome, key=RANK.index))
        return outcomes

    def _taken(self, step: Step, quantity: str, value: Value) -> Taken:
        unit = self.dialogue.rules.quantities[quantity].unit
        return judge_reading(self.dialogue, State(step=step.id), Candidate(value, unit), quantity)

    def _outcome(self, step: Step, quantity: str, value: Value, timed: bool = False) -> str:
        unit = self.dialogue.rules.quantities[quantity].unit
        candidate = Candidate(value, unit, timed=timed)
        return judge_reading(self.dialogue, State(step=step.id), candidate, quantity).verdict.outcome

    def _values(self, quantity: str) -> Iterator[Value]:
        """Values around the bounds of a quantity's limit, that its meter can show."""
        of = self.dialogue.quantity(quantity)
        limit = self.dialogue.rules.limits.get(quantity)
        if limit:
            limit = limit.with_plate(self.dialogue.rules.job.plate.get(quantity)) or limit
        bounds = []
        if limit:
            known = (limit.low, limit.caution_low, limit.caution_high, limit.high)
            # What is held against a bound of suction lies below zero.
            bounds = [limit.held(bound) for bound in known if bound is not None]
        middle = [(a + b) / 2 for a, b in itertools.pairwise(bounds)]
        steps = [Decimal(s) for s in ("0.004", "0.012", "0.03", "0.2", "1.5")]
        near = [b * (1 + sign * s) for b in bounds for s in steps for sign in (1, -1)]
        counts = [b + sign * n * of.resolution for b in bounds for n in (1, 3, 50) for sign in (1, -1)]
        if limit and limit.only_fails:  # below its bound what is made of it judges, and not how near it lies
            middle, near, counts = [], [], []
        for value in [*middle, *bounds, *near, *counts, Decimal(0), Decimal(1), Decimal(7), Decimal(60), Decimal(500)]:
            rounded = value.quantize(of.resolution)
            if of.low <= rounded <= of.high:
                yield rounded
        yield Overload.OPEN if of.overload == "open" else Overload.OVER_RANGE

    def words(self, step: Step, value: Value) -> str:
        """A value as it is said, digit by digit, so that it is heard as that value."""
        name = step.quantity or ""
        if isinstance(value, Overload):
            return "o l"
        unit = self.dialogue.rules.quantities[name].unit
        return f"{spoken_number(value)} {spoken_unit(unit, value)}".lower()

    def _times(self, step: Step) -> Iterator[dict[str, Decimal]]:
        """Seconds for each time of a timed step, with its marks in order."""
        each = []
        for quantity in step.times:
            by_outcome: dict[str, Decimal] = {}
            for value in self._values(quantity):
                if isinstance(value, Decimal) and value > 0:
                    by_outcome.setdefault(self._outcome(step, quantity, value, timed=True), value)
            each.append([(quantity, value) for value in by_outcome.values()])
        for chosen in itertools.product(*each):
            seconds = dict(chosen)
            if self._at(step, seconds):
                yield seconds

    @staticmethod
    def _at(step: Step, seconds: dict[str, Decimal]) -> dict[str, Decimal]:
        """The moment of each event; empty where the events would not be in order."""
        at: dict[str, Decimal] = {}
        for event in step.events:
            ends = [at[start] + seconds[q] for q, (start, stop) in step.times.items() if stop == event]
            before = max(at.values(), default=Decimal(0))
            at[event] = ends[0] if ends else before + 1
            if len(set(ends)) > 1 or at[event] < before:
                return {}
        return at

    def _marks(self, step: Step, seconds: dict[str, Decimal]) -> list[str]:
        return [f"@{moment} mark" for moment in self._at(step, seconds).values()]

    # --- the walk

    def target(self, step: str, outcome: str) -> str:
        """Where an outcome leads."""
        if (step, outcome) not in self._targets:
            self._targets[step, outcome] = self.procedure.after(self._steps[step], outcome)
        return self._targets[step, outcome]

    def nearest(self, step: str) -> str:
        """The outcome that leads soonest to a branch not taken yet; where there is none, to the end."""
        return self.way(step, self._is_new) or self.way(step, lambda at: at == END)

    def _is_new(self, step: str) -> bool:
        if step == END or self._steps[step].if_it_tells:
            return False
        new = [o for o in self.plain_first(step) if (step, o) not in self.taken]
        return bool(new) and (self.may_close or not all(self.closes(step, outcome) for outcome in new))

    def way(self, step: str, wanted: Callable[[str], bool]) -> str:
        """The outcome that leads soonest to a step (or the end) that is wanted; empty where none does."""
        ways = deque((outcome, self.target(step, outcome)) for outcome in self.plain_first(step))
        seen = {EMERGENCY}  # it begins the visit again, and the next visit does that too
        while ways:
            first, at = ways.popleft()
            if at in seen:
                continue
            if wanted(at):
                return first
            seen.add(at)
            if at not in (END, step):
                ways.extend((first, self.target(at, outcome)) for outcome in self.plain_first(at))
        return ""

    def plain_first(self, step: str) -> list[str]:
        """The outcomes of a step, those first that go on to the step after it."""
        if step not in self._plain_first:
            number = self.procedure.number(step)
            following = self.procedure.steps[number].id if number < len(self.procedure.steps) else END
            outcomes = self.answers(self._steps[step])
            self._plain_first[step] = sorted(outcomes, key=lambda outcome: self.target(step, outcome) != following)
        return self._plain_first[step]

    def choose(self, step: str) -> str:
        """The outcome to make for at a step: one not taken yet that goes plainly on, else any, else the nearest.

        One that closes the gate is made for once in a visit, and after all others.
        """
        untaken = [outcome for outcome in self.plain_first(step) if (step, outcome) not in self.taken]
        calm = [outcome for outcome in untaken if not self.closes(step, outcome)]
        if choices := calm or (untaken if self.may_close else []):
            return min(choices, key=lambda outcome: self._tried[step, outcome])
        way = self.target(step, self.nearest(step))
        same = [outcome for outcome in self.plain_first(step) if self.target(step, outcome) == way]
        open_yet = [outcome for outcome in self.plain_first(step) if not self.closes(step, outcome)]
        return self._draw.choice([outcome for outcome in same if outcome in open_yet] or open_yet or same)

    @property
    def may_close(self) -> bool:
        """Whether nothing closed the gate on this visit yet."""
        return not (self.state.repairs or any(self.closes(*branch) for branch in self.state.outcomes.items()))

    def closes(self, step: str, outcome: str) -> bool:
        """Whether an outcome of a step closes the gate to lighting."""
        of, limits = self.procedure.step(step), self.dialogue.rules.limits
        if of.kind == "check":
            return outcome in of.bad and "lighting" in of.forbids
        forbids = [limits[q].forbids for q in (*of.quantities, *of.works_out) if q in limits]
        bad = outcome in ("fail", "conditional-fail", "conditional-pass")
        return bad and any(rule and "lighting" in rule.acts for rule in forbids)

    def work(self) -> None:
        """One visit, from its first word to its last."""
        self.begin()
        for _ in range(LONGEST_VISIT):
            if self.state.phase is Phase.CLOSED:
                return
            self.turn()
        raise AssertionError(f"the visit does not end: it is at {self.state.step}")

    def go_to(self, step: str) -> None:
        """A new visit, as far as the question of a step."""
        self.begin()
        self.go_on_to(step)

    def go_on_to(self, step: str) -> list[str]:
        """On as far as the question of a step, readings passing where they can; the steps asked on the way."""
        asked: list[str] = []
        for _ in range(LONGEST_VISIT):
            at = self.state.step
            if self.state.phase is Phase.ASKING and at == step:
                return asked
            if self.state.phase is Phase.ASKING and not self.state.hand.untold:
                asked.append(at)
                way = self.target(at, self.way(at, lambda target: target == step))
                same = [o for o in self.answers(self.procedure.step(at)) if self.target(at, o) == way]
                self.answer_step(self.soundest(same), first=True)
            else:
                self.turn()
        raise AssertionError(f"the visit does not come to {step}: it is at {self.state.step}")

    def soundest(self, outcomes: Iterable[str]) -> str:
        """The outcome, of these, of the step in hand with which nothing is wrong."""
        order = (self.procedure.step(self.state.step).good, "pass", "noted", "cannot-judge", "caution")
        return min(outcomes, key=lambda outcome: order.index(outcome) if outcome in order else len(order))

    def turn(self) -> None:
        """Says what is wanted now."""
        phase = self.state.phase
        if phase is Phase.ASKING and not self.state.hand.untold:
            self.answer_step(self.choose(self.state.step))
        elif phase is Phase.HOLDING:
            raise AssertionError(f"the visit came to a hold at {self.state.step}")
        else:
            self.say(self.other(phase))

    def answer_step(self, outcome: str, first: bool = False) -> None:
        """Answers the step's question so that it ends in `outcome`, with whatever is asked about it on the way.

        first: always in the first of the ways that end so as things are; else in each of them by turns.
        """
        step = self.state.step
        before = len(self.notes)
        start = self.at_s + 1
        self._tried[step, outcome] += 1
        ways = self.answers(self.procedure.step(step))[outcome]
        if first:
            way = self._first_that_ends(ways, outcome)
        else:
            way = ways[(self._tried[step, outcome] + self.visits) % len(ways)]
        for text in way:
            moment, _, _ = text.rpartition(" mark")
            if text.startswith("@"):
                self.say("mark", start + float(moment[1:]))
            else:
                self.say(text)
            if self.state.phase is Phase.TIMED:
                self.say("yes")
            while self.state.phase is Phase.CONFIRMING:
                self.say("yes")
        self.at_s += 60
        left = self.state.outcome(step)
        assert left, f"{step} was not left by {outcome}: {[n.kind for n in self.notes[before:]]}"
        self.taken.add((step, left))

    def _first_that_ends(self, ways: list[list[str]], outcome: str) -> list[str]:
        """The first way that ends the step in `outcome`: where it works something out, what was read before counts."""
        step = self.procedure.step(self.state.step)
        if step.kind != "read" or not step.works_out:
            return ways[0]

        def ends(way: list[str]) -> str:
            state = replace(self.state, outcomes={})
            for text in (*way, "yes"):
                if not state.outcome(step.id):
                    state, _ = self.dialogue.step(state, Said(Heard(text), self.at_s))
            return state.outcome(step.id)

        return next((way for way in ways if ends(way) == outcome), ways[0])

    def other(self, phase: Phase) -> str:
        """What is said where no step's question stands."""
        begun = isinstance(self.state.at, Deciding) and self.state.at.yeses
        return {
            Phase.WARNING: "understood",
            Phase.MISSED: "no",
            Phase.REASON: "no time",
            Phase.EMERGENCY: "area clear",
            Phase.CLEARING: "robin roe",
            Phase.BARRED: self.mended(),
            Phase.DECIDING: "yes" if self.visits % 2 or begun else "no",
            Phase.SHUTTING: "understood",
            Phase.SHUT: "done",
            Phase.TELLING: "robin roe" if self.visits % 3 else "no",
            Phase.FOLLOW_UP: "clean the flame rod" if self.visits % 2 else "no",
            Phase.ASKING: "skip",
        }.get(phase, "yes")

    def mended(self) -> str:
        """At the gate: the repair of what closes it, while there is one and it was not made too often; else the end."""
        step = self.procedure.step(self.state.step)
        bar = gate.barred(self.dialogue.rules, self.state, step) if self.state.phase is Phase.BARRED else None
        names = [*(each.id for each in gate.measures(self.dialogue.rules, bar)), bar.about] if bar else []
        names += FINDINGS[bar.about].readings if bar and bar.about in FINDINGS else ()
        for name, repair in self.procedure.repairs.items():
            made = sum(each.name == name for each in self.state.repairs)
            if set(names) & set(repair.voids) and made < self.most_repairs:
                return f"repair {repair.say}"
        return "shut down"

    def work_all(self, most: int = 200) -> None:
        """Visits until every possible branch was taken; `most` of them."""
        while self.possible - self.taken and self.visits < most:
            self.work()
