"""Procedures as data.

A procedure file, the table of procedures and the parts they include are `Part`s: their steps may be includes and
may hold only for some fuels, ignition systems or kinds of visit. `assemble` makes the whole `Procedure` of them, with
nothing left to include or to choose, and says of each step where it is written.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, Any, Literal, Self

from pydantic import (
    Discriminator,
    Field,
    Tag,
    ValidationInfo,
    field_validator,
    model_validator,
)

from assistant.trade.job import Fitted, Fuel, Ignition, Job, KnownIgnition, Only, VisitKind
from assistant.trade.judging import RANK, Act, Source
from assistant.trade.model import Data
from assistant.trade.quantities import Danger

Power = Literal["unknown", "isolated", "dead", "live"]
Gas = Literal["unknown", "shut", "on"]
Level = Literal["notice", "caution", "danger"]
Proof = Literal[
    "proved-dead",
    "ground-path",
    "limit-switch",
    "rollout-switch",
    "pressure-switch",
    "low-gas-check",
    "sequence-timing",
    "venting",
    "flue-oxygen",
    "flue-co",
    "flame-failure",
    "lock-out",
    "safe-shut-down",
    "jumpers-out",
    "leak-check",
]
"""What a step proves of the appliance's safety.

low-gas-check: no LP lies low. lock-out: after its last trial the control shuts all gas and keeps it shut (100 %
lock-out). safe-shut-down: a standing pilot that goes out shuts all gas in time. The rest say what they are.
"""


@dataclass(frozen=True)
class Proving:
    """What is asked of a safety test, besides by the ignition systems that name it."""

    always: bool = True  # every procedure must contain it
    on_lp: str = ""  # why one for LP must
    never_left_out: bool = False  # no visit leaves the gas on without it: its step cannot be skipped or left out
    after_repair: bool = False  # it is made again whatever a repair names, for hands were in the appliance
    danger: Danger | None = None  # what can hurt at it


PROOFS: dict[Proof, Proving] = {
    "proved-dead": Proving(never_left_out=True, after_repair=True),
    "ground-path": Proving(),
    "limit-switch": Proving(),
    "rollout-switch": Proving(),
    "pressure-switch": Proving(),
    "low-gas-check": Proving(always=False, on_lp="LP", never_left_out=True, after_repair=True, danger="low gas"),
    "sequence-timing": Proving(),
    "venting": Proving(never_left_out=True),
    "flue-oxygen": Proving(),
    "flue-co": Proving(),
    "flame-failure": Proving(never_left_out=True, danger="flame failure"),
    "lock-out": Proving(always=False, on_lp="LP: 100 % lock-out", never_left_out=True, after_repair=True),
    "safe-shut-down": Proving(always=False, never_left_out=True),
    "jumpers-out": Proving(never_left_out=True, after_repair=True, danger="jumpers"),
    "leak-check": Proving(never_left_out=True, after_repair=True, danger="leak"),
}
NEVER_LEFT_OUT = tuple(proof for proof, of in PROOFS.items() if of.never_left_out)

END = "end"  # targets of a step that are no steps
EMERGENCY = "emergency"


class Hazard(Data):
    """A warning voiced before the hand goes in; "danger" waits for "understood"."""

    level: Level
    say: str
    source: Source
    warns_of: tuple[Danger, ...] = ()  # the check of a procedure looks for it before these
    short: str = ""  # in the brief talk, where it was said whole before in the same states of power and gas
    always: bool = False  # it is said whole and acknowledged each time


class State(Data):
    """The state of power and gas at the appliance."""

    power: Power = "unknown"
    gas: Gas = "unknown"


class Wait(Data):
    """What a step has to wait for before its answer counts: that something has gone on for a while."""

    seconds: int = Field(gt=0)
    since: tuple[str, ...] = Field(min_length=1)  # the steps whose leaving begins it; the last that was left counts
    then: str  # the question again, shortly, once the time is up
    source: Source  # of the time


@dataclass(frozen=True)
class Kind:
    """A kind of step."""

    outcomes: tuple[str, ...]  # those that can leave it, besides a skip
    good: str = ""  # where nothing is wrong; empty where that is told by what is bad
    has: tuple[str, ...] = ()  # what a step says exactly where it is of this kind
    by_hand: bool = False  # something is done to the appliance: it is never passed over
    moves: bool = False  # it may be worked before or after its neighbours


KINDS: dict[str, Kind] = {
    "do": Kind(("done",), "done", by_hand=True),
    "check": Kind(("yes", "no"), moves=True),
    "read": Kind(RANK, "pass", ("quantity",), moves=True),
    "time": Kind(RANK, "pass", ("events", "times")),
}


class Step(Data):
    """One step.

    Its outcomes are done, yes, no and skip; of a reading its verdict, or that of a finding it completes where that is
    worse; of a timed step the worst verdict of its times.
    """

    id: str
    title: str
    say: str  # the prompt
    brief: str = ""  # the prompt of the brief talk
    kind: Literal["do", "check", "read", "time"]  # answered by done, yes or no, a reading, a mark at each event
    quantity: str | None = None  # what is read
    events: tuple[str, ...] = ()  # what is marked, in order; the prompt names them once
    times: dict[str, tuple[str, str]] = Field(default_factory=dict)  # quantity in seconds -> the events it lies between
    power: tuple[Power, ...] = ()  # the states in which it may be worked; empty is any
    gas: tuple[Gas, ...] = ()
    sets: State | None = None  # the states that hold once it is done
    hazards: tuple[str, ...] = ()  # voiced in order before the prompt
    skippable: bool = True  # a step that makes others safe is not
    next: dict[str, str] = Field(default_factory=dict)  # outcome -> step; "then": every other; else the next
    bad: dict[Literal["yes", "no"], str] = Field(
        default_factory=dict
    )  # of a check: answer that is a finding -> its text
    works_out: tuple[str, ...] = ()  # the findings that this reading completes
    proves: tuple[Proof, ...] = ()  # the safety tests that it is
    dangers: tuple[Danger, ...] = ()  # besides what follows from what it does and measures (`checking.dangers`)
    needs: Literal["gas", "meter"] | Fitted | None = (
        None  # left out without these: the gas meter's figures, a meter, a part
    )
    confirm: bool = False  # the answer of a check needs a spoken yes, since a misheard one can hurt
    stage: Literal["found", "left"] = "found"  # as found, or as left
    if_it_tells: bool = False  # only in a run by cause, where it tells something of the fault (see `Procedure.run`)
    wait: Wait | None = None  # counted aloud by a timer of its own; a good answer before its end is not taken
    burner: Literal["lights", "runs"] | None = None  # it lights it (pilot or main), or needs it; the gate is checked
    forbids: tuple[Act, ...] = ()  # what the bad answer of a check blocks until it is mended and checked again
    no_repair: bool = False  # nothing that it finds is mended on a visit: only the shut-down is left
    mends: str | None = None  # the repair that its good outcome is; it is recorded
    never_after: tuple[str, ...] = ()  # checks after whose bad answer, and symptoms after which, it is left out
    means: dict[str, Literal["yes", "no"]] = Field(default_factory=dict)  # of a check: what else is said -> its answer
    look: str = ""  # one look at one place: steps in a row that share it are one list in the brief talk

    @field_validator("times")
    @classmethod
    def _in_their_order(cls, times: dict[str, tuple[str, str]], has: ValidationInfo) -> dict[str, tuple[str, str]]:
        """As their events follow each other, whatever the order of a file or a record: so they are told."""
        events = list(has.data.get("events", ()))
        known = [*events, *(event for pair in times.values() for event in pair if event not in events)]
        return dict(sorted(times.items(), key=lambda item: (known.index(item[1][1]), known.index(item[1][0]))))

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        for name, kind in KINDS.items():
            if any(bool(getattr(self, key)) != (self.kind == name) for key in kind.has):
                raise ValueError(f"the step {self.id!r} has {' and '.join(kind.has)} exactly when its kind is {name}")
        for quantity, (start, stop) in self.times.items():
            if start not in self.events or stop not in self.events[self.events.index(start) + 1 :]:
                raise ValueError(f"{quantity} does not lie between two of the events of the step {self.id!r}, in order")
        if self.means and "yes" not in self.of_kind.outcomes:
            raise ValueError(f"the step {self.id!r} is no check, so its words mean no yes or no")
        if self.sets and self.skippable:
            raise ValueError(f"the step {self.id!r} changes power or gas, so it cannot be skippable")
        return self

    @property
    def of_kind(self) -> Kind:
        """What is so of every step of its kind."""
        return KINDS[self.kind]

    @property
    def quantities(self) -> tuple[str, ...]:
        """What this step measures."""
        return (self.quantity,) if self.quantity else tuple(self.times)

    @property
    def good(self) -> str:
        """The outcome where nothing is wrong: of a check the answer that is no finding and leads plainly on."""
        if self.of_kind.good:
            return self.of_kind.good
        if self.bad:
            return "no" if "yes" in self.bad else "yes"
        return "no" if "yes" in self.next and "no" not in self.next else "yes"

    @property
    def act(self) -> Act | None:
        """What it does that a finding may forbid."""
        if self.burner:
            return "lighting" if self.burner == "lights" else "running"
        return "gas on" if self.of_kind.by_hand and self.opens_gas else None

    @property
    def opens_gas(self) -> bool:
        """Whether the gas is on once it is done."""
        return self.sets is not None and self.sets.gas == "on"

    @property
    def may_be_left_out(self) -> bool:
        """Whether something else than a skip can leave it out: what is not fitted, or was found or told before."""
        return self.needs is not None or bool(self.never_after)

    @property
    def shuts_down(self) -> bool:
        """Whether it takes gas or power away: always allowed."""
        return self.sets is not None and (self.sets.gas == "shut" or self.sets.power == "isolated")

    def unfit(self, site: State) -> Iterator[tuple[str, str, str]]:
        """Of power and gas what does not allow it to be worked: which, as what it may be, and as what it is."""
        for what, allowed, actual in (("power", self.power, site.power), ("gas", self.gas, site.gas)):
            if allowed and actual not in allowed:
                yield what, " or ".join(allowed), actual

    def fits(self, site: State) -> bool:
        """Whether it may be worked as power and gas are."""
        return not any(self.unfit(site))

    def outcomes(self) -> tuple[str, ...]:
        """Every outcome that can leave this step."""
        return (*self.of_kind.outcomes, "skip") if self.skippable else self.of_kind.outcomes


class Repair(Data):
    """Something that may be repaired on the way."""

    say: str  # how it is said and spoken ("flame rod cleaned")
    voids: tuple[str, ...] = Field(min_length=1)  # quantities and checks that no longer stand: asked again, as left
    restart: str  # the step where the visit is walked again, normally where the appliance is isolated


class Procedure(Data):
    """The steps for one ignition system, fuel and kind of visit, in order, and what may be repaired on the way."""

    name: str
    title: str
    ignition: Ignition
    fuel: Fuel
    visit: VisitKind
    must_prove: tuple[Proof, ...] = ()  # the safety tests of its ignition system, besides those of every procedure
    order: Literal["written", "by-cause"] = "written"  # by-cause: a run is worked in the order that tells most
    steps: tuple[Step, ...] = Field(min_length=1)
    shut_down: tuple[str, ...] = ()  # where shutting down may begin; the first that power and gas allow is taken
    # The hazards of shutting gas and power off at the end; of an older record, which does not say so, what they were.
    shut_off: tuple[str, ...] = ("gas-lock", "lock-out")
    repairs: dict[str, Repair] = Field(default_factory=dict)

    def step(self, step_id: str) -> Step:
        """The step of that id; KeyError when there is none."""
        return self.steps[self.number(step_id) - 1]

    def has(self, step_id: str) -> bool:
        """Whether a step has that id."""
        return any(step.id == step_id for step in self.steps)

    def number(self, step_id: str) -> int:
        """The place of a step, from 1; KeyError when there is none."""
        numbers, of = self._numbers
        if of is not self.steps:  # a copy with other steps
            numbers = _numbers(self.steps)
        return numbers[step_id]

    @cached_property
    def _numbers(self) -> tuple[dict[str, int], tuple[Step, ...]]:
        return _numbers(self.steps), self.steps

    def plain_way(self, job: Job) -> tuple[str, ...]:
        """The ids of the steps of a visit on which nothing is found wrong and nothing skipped, in order."""
        way: list[str] = []
        at = self.steps[0].id
        while at != END and at not in way:
            step = self.step(at)
            if not (left_out(step, job) or step.if_it_tells):
                way.append(at)
            at = self.after(step, step.good)
        return tuple(way)

    def way_down(self, site: State) -> str:
        """The id of the step at which shutting down begins, as power and gas are; empty where there is none."""
        return next((name for name in self.shut_down if self.step(name).fits(site)), "")

    def run(self, step_id: str) -> tuple[Step, ...]:
        """The steps around one, itself among them, that may be worked in any order; empty where there are none.

        They follow each other, are worked in the same power and gas and change neither, lead nowhere else, and are
        no test without which the gas is never left on.
        """
        if self.order != "by-cause" or not self.has(step_id):
            return ()
        at = self.number(step_id) - 1
        own = self.steps[at]

        def fits(step: Step) -> bool:
            return _may_move(step) and (step.power, step.gas) == (own.power, own.gas)

        if not fits(own):
            return ()
        before = itertools.takewhile(fits, reversed(self.steps[:at]))
        return (*reversed([*before]), *itertools.takewhile(fits, self.steps[at:]))

    def after_run(self, run: tuple[Step, ...]) -> str:
        """The id of the step that follows a run, or END."""
        return self.after(run[-1], "done")

    def after(self, step: Step, outcome: str) -> str:
        """The id of the step to go to, or END."""
        target = step.next.get(outcome) or step.next.get("then")
        if target:
            return target
        at = self.number(step.id)
        return self.steps[at].id if at < len(self.steps) else END


def _numbers(steps: tuple[Step, ...]) -> dict[str, int]:
    """The place of each step by its id, from 1; of two with one id, the first."""
    return {step.id: number for number, step in reversed(list(enumerate(steps, 1)))}


def _may_move(step: Step) -> bool:
    """Whether a step may be worked before or after its neighbours."""
    fixed = step.sets or step.next or step.stage == "left" or set(step.proves) & set(NEVER_LEFT_OUT)
    return step.of_kind.moves and bool(step.power and step.gas) and not fixed


def left_out(step: Step, job: Job) -> str:
    """Why a step is left out at this job, for the end of the visit; empty when it is worked.

    What the job file does not say is fitted or not is asked for: only a part that it says is not there is left out.
    """
    if step.needs is None:
        return ""
    if step.needs == "meter":
        return "" if job.meter_for(step.quantity or "") else f"the job file gives no meter for {step.title}"
    if step.needs == "gas":
        return "" if job.gas else "the job file gives no gas"
    fitted = job.appliance.fitted
    return "" if fitted is None or step.needs in fitted else f"the job file says that no {step.needs} is fitted"


def after_step(state: State, step: Step, outcome: str) -> State:
    """The state of power and gas after a step: a step that sets one does so only when it was done."""
    if step.sets is None or outcome in ("no", "skip"):
        return state
    return State(
        power=state.power if step.sets.power == "unknown" else step.sets.power,
        gas=state.gas if step.sets.gas == "unknown" else step.sets.gas,
    )


# --- what is written, and how it becomes a procedure


class Include(Data):
    """In a list of steps, the steps of a part; its repairs come with it."""

    include: str
    only: Only = Only()


class WrittenStep(Step):
    """A step as it is written: it, and its warnings, may hold only for some procedures."""

    only: Only = Only()
    hazards_only: dict[str, Only] = Field(default_factory=dict)  # of a hazard that is not for all that the step is for

    @model_validator(mode="after")
    def _hazards_are_its_own(self) -> Self:
        if other := self.hazards_only.keys() - set(self.hazards):
            raise ValueError(f"the step {self.id!r} has no hazard {min(other)!r} that could hold only for some")
        return self

    def step(self, holds: Callable[[Only], bool]) -> Step:
        """The step of a procedure. holds: whether something that is only for some is for that one."""
        voiced = [name for name in self.hazards if holds(self.hazards_only.get(name, Only()))]
        return Step.model_validate({**self.model_dump(exclude={"only", "hazards_only"}), "hazards": voiced})


class WrittenRepair(Repair):
    """A repair as it is written: it may hold only for some procedures."""

    only: Only = Only()


def _kind_of_entry(entry: Any) -> str:
    included = "include" in entry if isinstance(entry, Mapping) else isinstance(entry, Include)
    return "include" if included else "step"


Entry = Annotated[
    Annotated[WrittenStep, Tag("step")] | Annotated[Include, Tag("include")], Discriminator(_kind_of_entry)
]


class Part(Data):
    """A file of steps and repairs that several procedures include."""

    steps: tuple[Entry, ...] = ()
    shut_down: tuple[str, ...] = ()
    repairs: dict[str, WrittenRepair] = Field(default_factory=dict)


class WrittenProcedure(Part):
    """A procedure file."""

    name: str
    title: str
    ignition: KnownIgnition
    fuel: Fuel
    visit: VisitKind
    order: Literal["written", "by-cause"] = "written"


class Called(Data):
    """What an ignition system, a fuel or a kind of visit is called in the name and the title of a procedure."""

    name: str
    title: str


class System(Called):
    """An ignition system."""

    proves: tuple[Proof, ...] = ("lock-out",)  # the safety tests that it asks for, besides those of every procedure
    # Another system as which it is worked: all that is only for that one is for this one too.
    like: Ignition | None = None


class CalledVisit(Called):
    """Of a kind of visit also the order of its steps."""

    order: Literal["written", "by-cause"] = "written"


class ProcedureTable(Part):
    """A file of procedures with the same steps: one for each ignition system, each fuel and each kind of visit."""

    ignition: dict[Ignition, System]
    fuel: dict[Fuel, Called]
    visit: dict[VisitKind, CalledVisit]

    def procedures(self) -> Iterator[WrittenProcedure]:
        """Each as if it were written in a file of its own."""
        for chosen in itertools.product(self.ignition.items(), self.fuel.items(), self.visit.items()):
            (ignition, system), (fuel, gas), (visit, kind) = chosen
            yield WrittenProcedure(
                name=f"{system.name}-{gas.name}-{kind.name}",
                title=f"{system.title}, {gas.title}, {kind.title}",
                ignition=ignition,
                fuel=fuel,
                visit=visit,
                order=kind.order,
                steps=self.steps,
                shut_down=self.shut_down,
                repairs=self.repairs,
            )


Keys = tuple[int | str, ...]
"""The way to something in a file or a model: ("steps", 3, "quantity")."""

Place = tuple[str, Keys]
"""Where something is written: the name of the part ("" is the procedure's own file or table), and the keys there."""


@dataclass
class Assembled:
    """What a procedure file and its parts come to.

    places: keys in the procedure ("steps", 3) -> where that is written. problems: what does not fit, where.
    """

    steps: list[Step] = field(default_factory=list)
    repairs: dict[str, Repair] = field(default_factory=dict)
    shut_down: tuple[str, ...] = ()
    places: dict[Keys, Place] = field(default_factory=dict)
    problems: list[tuple[Place, str]] = field(default_factory=list)

    @property
    def shut_off(self) -> tuple[str, ...]:
        """The hazards of shutting gas and power off: of the steps that do so first, the gas before the power."""
        shuts = next((step for step in self.steps if step.sets and step.sets.gas == "shut"), None)
        isolates = next((step for step in self.steps if step.sets and step.sets.power == "isolated"), None)
        return tuple(dict.fromkeys(name for step in (shuts, isolates) if step for name in step.hazards))

    def place(self, at: Keys) -> Place:
        """Where something of the procedure is written."""
        part, keys = self.places.get(at[:2], ("", at[:2]))
        return part, (*keys, *at[2:])


def assemble(written: WrittenProcedure, parts: Mapping[str, Part]) -> Assembled:
    """The steps and repairs of a procedure with its parts put in and what is for others left out."""
    whole = Assembled()

    def holds(only: Only) -> bool:
        return only.holds(written.fuel, written.ignition, written.visit)

    def add(part: Part, name: str, within: tuple[str, ...]) -> None:
        for at, entry in enumerate(part.steps):
            if not holds(entry.only):
                continue
            place = (name, ("steps", at))
            if isinstance(entry, WrittenStep):
                whole.places["steps", len(whole.steps)] = place
                whole.steps.append(entry.step(holds))
            elif entry.include not in parts:
                whole.problems.append((place, f"there is no part {entry.include!r}."))
            elif entry.include in within:
                whole.problems.append((place, f"the part {entry.include!r} includes itself."))
            else:
                add(parts[entry.include], entry.include, (*within, entry.include))
        whole.shut_down += part.shut_down
        for key, repair in part.repairs.items():
            if holds(repair.only):
                if whole.places.setdefault(("repairs", key), (name, ("repairs", key)))[0] != name:
                    whole.problems.append(((name, ("repairs", key)), f"the repair {key!r} is written twice."))
                whole.repairs[key] = Repair.model_validate(repair.model_dump(exclude={"only"}))

    add(written, "", ())
    # A repair may name checks that are only for other procedures; a name that no file knows stays, and is told.
    here = {step.id for step in whole.steps}
    elsewhere = {e.id for part in (written, *parts.values()) for e in part.steps if isinstance(e, WrittenStep)} - here
    for key, repair in whole.repairs.items():
        voids = tuple(name for name in repair.voids if name not in elsewhere)
        whole.repairs[key] = repair.model_copy(update={"voids": voids})
    return whole
