"""The proof that the order of a procedure is safe."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace

from assistant.trade.computation import Computation
from assistant.trade.judging import Limit
from assistant.trade.procedures import (
    EMERGENCY,
    END,
    NEVER_LEFT_OUT,
    PROOFS,
    Hazard,
    Keys,
    Procedure,
    Proof,
    State,
    Step,
    after_step,
)
from assistant.trade.quantities import Danger, Quantity
from assistant.trade.units import UNITS


@dataclass(frozen=True)
class Wrong:
    """What is wrong with a procedure: one sentence, and where, as keys: ("steps", 3, "quantity")."""

    says: str
    at: Keys = ()


def check(
    procedure: Procedure,
    quantities: Mapping[str, Quantity],
    hazards: Mapping[str, Hazard],
    findings: Mapping[str, Computation],
    limits: Mapping[str, Limit],
) -> list[Wrong]:
    """All that is wrong with a procedure; empty when it is sound.

    Every name must exist, every step be reachable and lead to the end, and the required safety tests be there.
    All paths are walked, with every outcome: none may reach a step in a state of power or gas that the step does
    not allow, or without a warning of what can hurt there, or end with the gas on and a safety test not made
    (decision 5). What lights or runs must say so, and what is found unsafe must forbid it and name its repair or the
    shut-down, so that the gate of the dialogue closes (decision 10).
    """
    return list(_Check(procedure, quantities, hazards, findings, limits).wrongs())


Names = list[tuple[str, Keys]]
"""What a step names, each with the keys to it."""

Says = tuple[str, Keys]
"""What is wrong with a step: how the sentence goes on after its name, and the keys there."""


@dataclass(frozen=True)
class _Check:
    """A procedure, and the names that it may use."""

    procedure: Procedure
    quantities: Mapping[str, Quantity]
    hazards: Mapping[str, Hazard]
    findings: Mapping[str, Computation]
    limits: Mapping[str, Limit]

    def wrongs(self) -> Iterator[Wrong]:
        """All that is wrong."""
        yield from self._of_each(self._lost)
        yield from self._lost_elsewhere()
        yield from self._untested()
        for part in (self._tests, self._measures, self._forbids):
            yield from self._of_each(part)
        yield from self._never_opened()
        targets = {target for step in self.procedure.steps for target in step.next.values()} - {END, EMERGENCY}
        targets |= {*self.procedure.shut_down, *(repair.restart for repair in self.procedure.repairs.values())}
        if all(map(self.procedure.has, targets)):
            yield from self._paths()

    def _of_each(self, part: Callable[[Step], Iterator[Says]]) -> Iterator[Wrong]:
        for at, step in enumerate(self.procedure.steps):
            yield from (_wrong(step, at, says) for says in part(step))

    def _lost(self, step: Step) -> Iterator[Says]:
        """What it names that is not there."""
        ids = [each.id for each in self.procedure.steps]
        quantities: Names = [(name, ("quantity",) if step.quantity else ("times", name)) for name in step.quantities]
        since = step.wait.since if step.wait else ()
        mends: Names = [(step.mends, ("mends",))] if step.mends else []
        named: tuple[tuple[str, Names, Collection[str]], ...] = (
            ("asks for {!r}, which is not a known quantity.", quantities, self.quantities),
            ("names the hazard {!r}, which is not in the hazards file.", _at(step.hazards, "hazards"), self.hazards),
            ("works out {!r}, which is not a known finding.", _at(step.works_out, "works_out"), self.findings),
            ("waits since {!r}, and no step has that id.", _at(since, "wait", "since"), ids),
            ("mends {!r}, which is no known repair.", mends, self.procedure.repairs),
        )
        for says, names, known in named:
            yield from ((says.format(name), keys) for name, keys in names if name not in known)
        ends = (*step.outcomes(), "then", *(("skip",) if step.may_be_left_out else ()))
        for outcome, target in step.next.items():
            if outcome not in ends:
                yield f"can never end in {outcome!r}.", ("next", outcome)
            if target not in (*ids, END, EMERGENCY):
                yield f"goes to {target!r} on {outcome!r}, and no step has that id.", ("next", outcome)

    def _lost_elsewhere(self) -> Iterator[Wrong]:
        ids = [step.id for step in self.procedure.steps]
        for at, name in enumerate(ids):
            if name in ids[:at]:
                yield Wrong(f"the step {name!r} is written twice.", ("steps", at, "id"))
        for at, name in enumerate(self.procedure.shut_down):
            if name not in ids:
                yield Wrong(f"shutting down begins at {name!r}, and no step has that id.", ("shut_down", at))
        for name, repair in self.procedure.repairs.items():
            if repair.restart not in ids:
                says = f"the repair {name!r} goes to {repair.restart!r}, and no step has that id."
                yield Wrong(says, ("repairs", name, "restart"))
            for number, voided in enumerate(repair.voids):
                if voided not in self.quantities and voided not in ids:
                    says = f"the repair {name!r} voids {voided!r}, which is no known quantity and no step."
                    yield Wrong(says, ("repairs", name, "voids", number))

    def _untested(self) -> Iterator[Wrong]:
        proved = {proof for step in self.procedure.steps for proof in step.proves}
        for proof, whom in required(self.procedure).items():
            if proof not in proved:
                yield Wrong(f"there is no {proof} test, which is required of {whom}.", ("steps",))

    def _tests(self, step: Step) -> Iterator[Says]:
        for number, proof in enumerate(step.proves):
            if proof in NEVER_LEFT_OUT and (step.skippable or step.needs):
                yield f"is the {proof} test, so it cannot be skippable or be left out.", ("proves", number)
        if "flame-failure" in step.proves and not (step.sets and step.sets.gas == "shut"):
            says = "must take the flame away by closing the gas cock (sets gas shut), never by a live lead."
            yield says, ("sets" if step.sets else "proves",)

    def _measures(self, step: Step) -> Iterator[Says]:
        if step.sets and step.sets.power != "unknown" and step.sets.gas != "unknown":
            yield "changes power and gas at once; make two steps of it.", ("sets",)
        for name in step.quantities:
            unit = self.quantities[name].unit if name in self.quantities else ""
            if name in step.times and unit and unit != "second":
                yield f"times {name!r}, which is not in seconds.", ("times", name)
            circuit = UNITS[unit].circuit if unit else None
            if circuit == "dead" and (step.power, step.gas) != (("dead",), ("shut",)):
                yield "reads ohms, so it needs the power dead and the gas shut.", ("quantity",)
            if circuit == "live" and step.power != ("live",):
                yield "reads a live circuit, so it needs the power live.", ("quantity",)

    def _forbids(self, step: Step) -> Iterator[Says]:
        """What would keep the gate open that closes the way to gas and light on an unsafe finding."""
        said = {self.quantities[name].burner for name in step.quantities if name in self.quantities}
        must = "lights" if "lights" in said or "light-off" in step.dangers else "runs" if "runs" in said else None
        if must and step.burner != must:
            yield f"must say that the burner {must} there (burner: {must}).", ()
        if step.forbids and not step.bad:
            yield "forbids something, and no answer to it is bad.", ("forbids",)
        if step.bad and step.proves and not step.forbids:
            yield f"is the {step.proves[0]} test, so its bad answer must forbid something.", ("proves",)

    def _never_opened(self) -> Iterator[Wrong]:
        voided = {name for repair in self.procedure.repairs.values() for name in repair.voids}
        for at, step in enumerate(self.procedure.steps):
            closed: list[tuple[str, Keys]] = []
            if step.forbids and step.id not in voided and not step.no_repair:
                closed.append((f"the step {step.id!r}", ("forbids",)))
            for name in (*step.quantities, *step.works_out):
                inputs = self.findings[name].readings if name in self.findings else (name,)
                if name in self.limits and self.limits[name].forbids and not voided & {*inputs, step.id}:
                    closed.append((repr(name), ()))
            for what, keys in closed:
                says = f"no repair voids {what}, so nothing could open again what it forbids."
                yield Wrong(says, ("steps", at, *keys))
        if not self.procedure.shut_down:
            yield Wrong("it names no step at which shutting down begins (shut_down).", ("steps",))

    def _paths(self) -> Iterator[Wrong]:
        """Walks all paths with every outcome; after a repair, from where it leads, whatever power and gas are then."""
        procedure = self.procedure
        had = {step.id: dangers(step, self.quantities) for step in procedure.steps}
        warns = {step.id: warned_by(step, self.hazards) for step in procedure.steps}
        restarts = {repair.restart for repair in procedure.repairs.values()}
        waiting = [(procedure.steps[0].id, _On())]
        seen: set[tuple[str, _On]] = set()
        said: dict[Wrong, None] = {}
        leads_to: dict[str, set[str]] = {step.id: set() for step in procedure.steps}

        def come_to(step: Step, on: _On) -> None:
            at = procedure.number(step.id) - 1
            for says in on.wrong_at(step, had[step.id], warns[step.id], procedure.fuel):
                said[_wrong(step, at, says)] = None
            if not (step.act and procedure.shut_down and step.fits(on.site)):
                return
            if down := procedure.way_down(on.site):
                waiting.append((down, on))
            else:
                none_fits = f"no step of shut_down can be worked as power and gas are at the step {step.id!r}."
                said[Wrong(none_fits, ("steps", at))] = None

        while waiting:
            step_id, on = waiting.pop()
            if (step_id, on) in seen or step_id == EMERGENCY:
                continue
            seen.add((step_id, on))
            if step_id == END:
                said.update(dict.fromkeys(on.wrong_at_end(required(procedure))))
                continue
            waiting.extend((restart, _On(on.site)) for restart in restarts)
            run = procedure.run(step_id)
            if run:
                # Any order, and any of them left out: none may count on a warning of another, nor may what follows. A
                # run changes neither power nor gas and proves nothing that is counted, so this is the worst of its
                # paths.
                past = procedure.after_run(run)
                for step in run:
                    come_to(step, on)
                    seen.add((step.id, on))
                    leads_to[step.id].add(past)
                waiting.extend((past, each) for each in (on, replace(on, proved=on.proved - {"leak-check"})))
                continue
            step = procedure.step(step_id)
            come_to(step, on)
            for outcome in (*step.outcomes(), *(("skip",) if step.may_be_left_out else ())):
                target = procedure.after(step, outcome)
                leads_to[step_id].add(target)
                waiting.append((target, on.after(step, outcome, warns[step_id])))
        yield from said
        yield from self._dead_ends(leads_to, {step_id for step_id, _ in seen})
        yield from self._lit_again(leads_to)

    def _lit_again(self, leads_to: Mapping[str, set[str]]) -> Iterator[Wrong]:
        """The shut-down may lead to nothing that opens the gas, lights or runs."""
        reached, waiting = set[str](), list(self.procedure.shut_down)
        while waiting:
            step_id = waiting.pop()
            if step_id in reached or step_id in (END, EMERGENCY):
                continue
            reached.add(step_id)
            waiting += leads_to[step_id]
            if self.procedure.step(step_id).act:
                says = f"the shut-down leads to the step {step_id!r}, which opens the gas, lights or runs."
                yield Wrong(says, ("steps", self.procedure.number(step_id) - 1))

    def _dead_ends(self, leads_to: Mapping[str, set[str]], reached: set[str]) -> Iterator[Wrong]:
        ends = {END}
        while more := {step_id for step_id, targets in leads_to.items() if targets & ends} - ends:
            ends |= more
        if END not in reached:
            yield Wrong("no path leads to the end.", ("steps",))
        for at, step in enumerate(self.procedure.steps):
            if step.id not in reached:
                yield Wrong(f"no path leads to the step {step.id!r}.", ("steps", at))
            elif step.id not in ends:
                yield Wrong(f"no way leads out of the step {step.id!r} to the end.", ("steps", at))


def _wrong(step: Step, at: int, says: Says) -> Wrong:
    """What is wrong with a step; at: its place."""
    sentence, keys = says
    return Wrong(f"the step {step.id!r} {sentence}", ("steps", at, *keys))


def _at(names: tuple[str, ...], *keys: str) -> Names:
    """Names with the keys to each."""
    return [(name, (*keys, number)) for number, name in enumerate(names)]


def dangers(step: Step, quantities: Mapping[str, Quantity]) -> dict[Danger, str]:
    """What can hurt at a step, each with the reason: what it says itself, what it sets, proves and measures."""
    found: dict[Danger, str] = dict.fromkeys(step.dangers, "it says so")
    if step.sets and step.sets.power != "unknown":
        found["stored energy" if step.sets.power == "isolated" else "live parts"] = "it changes the power"
    if step.opens_gas:
        found["gas"] = "it opens the gas"
    if step.burner == "lights":
        found["light-off"] = "it lights the burner"
    for proof in step.proves:
        if danger := PROOFS[proof].danger:
            found[danger] = f"it is the {proof} test"
    for name in step.quantities:
        quantity = quantities.get(name)
        if quantity and quantity.danger:
            found[quantity.danger] = f"it reads the {quantity.spoken}"
        if quantity and UNITS[quantity.unit].circuit == "live":
            found["live parts"] = "it measures live"
    if "spark" in step.events:
        found["spark"] = "it sparks"
    return found


CAUTION_IS_ENOUGH: tuple[Danger, ...] = ("low gas", "flue gas")
"""Dangers whose warning may be a caution; all others wait for "understood"."""


def required(procedure: Procedure) -> dict[Proof, str]:
    """The safety tests that a procedure must contain, each with for whom it must."""
    found = {proof: "every procedure" for proof, of in PROOFS.items() if of.always}
    found |= dict.fromkeys(procedure.must_prove, procedure.ignition)
    if procedure.fuel == "LP":
        found |= {proof: of.on_lp for proof, of in PROOFS.items() if of.on_lp}
    return found


@dataclass(frozen=True)
class _On:
    """Where a path stands: power and gas, the dangers warned of since they last changed, the tests behind it, and
    whether the burner may burn."""

    site: State = field(default_factory=State)
    burning: bool = False
    warned: frozenset[Danger] = frozenset()
    proved: frozenset[Proof] = frozenset()

    def after(self, step: Step, outcome: str, warns: frozenset[Danger]) -> _On:
        """Where it stands once a step ended so. warns: what the step warns of."""
        site = after_step(self.site, step, outcome)
        if outcome == "skip":  # it may have been skipped before its warnings were voiced
            return self
        standing = self.warned
        if site.power != self.site.power:
            standing = frozenset()
        elif site.gas != self.site.gas:
            standing &= {"live parts"}
        proved = set(self.proved)
        if step.quantities or step.sets:
            proved.discard("leak-check")  # it is the last of all
        if site.gas == "on" != self.site.gas:
            proved.discard("low-gas-check")
        if outcome not in step.bad and step.next.get(outcome) != step.id:
            proved.update(proof for proof in step.proves if proof in NEVER_LEFT_OUT)
        burning = step.burner == "lights" or (self.burning and site == State(power="live", gas="on"))
        return _On(site, burning, standing | warns, frozenset(proved))

    def wrong_at(self, step: Step, had: Mapping[Danger, str], warns: frozenset[Danger], fuel: str) -> Iterator[Says]:
        """What is wrong with coming to a step so. had: the dangers there, each with why. warns: what it warns of."""
        for what, allowed, actual in step.unfit(self.site):
            yield f"can be reached with the {what} {actual}; it needs {allowed}.", (what,)
        for danger, why in had.items():
            if danger not in self.warned | warns:
                yield f"is reached without a warning of {danger} ({why}).", ()
        if self.burning and not step.burner and not step.shuts_down and (step.power, step.gas) == (("live",), ("on",)):
            yield "is worked while the burner may burn; it must say so (burner: runs).", ()
        if fuel == "LP" and step.opens_gas and "low-gas-check" not in self.proved:
            yield "opens LP, and on a path to it nobody checked that none lies low.", ("sets",)

    def wrong_at_end(self, must: Collection[Proof]) -> Iterator[Wrong]:
        """What is wrong with ending the visit so."""
        wanted = ("jumpers-out",) if self.site.gas == "shut" else must
        for proof in wanted:
            if proof in NEVER_LEFT_OUT and proof != "low-gas-check" and proof not in self.proved:
                left = "shut" if self.site.gas == "shut" else "on"
                yield Wrong(f"a path leads to the end with the gas {left} and without the {proof} test.", ("steps",))


def warned_by(step: Step, hazards: Mapping[str, Hazard]) -> frozenset[Danger]:
    """The dangers that a step's own hazards warn of, by warnings that are strong enough for them."""
    return frozenset(
        danger
        for name in step.hazards
        if name in hazards
        for danger in hazards[name].warns_of
        if hazards[name].level == "danger" or danger in CAUTION_IS_ENOUGH
    )
