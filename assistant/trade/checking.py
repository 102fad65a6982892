"""The proof that the order of a procedure is safe."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from assistant.trade.computation import Computation
from assistant.trade.judging import Limit
from assistant.trade.procedures import (
    EMERGENCY,
    END,
    NEVER_LEFT_OUT,
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
    dangling = list(_dangling(procedure))
    return [
        *_unknown_names(procedure, quantities, hazards, findings),
        *dangling,
        *_incomplete(procedure),
        *_unfit_steps(procedure, quantities),
        *_open_gate(procedure, quantities, findings, limits),
        *([] if dangling else _unsafe_paths(procedure, quantities, hazards)),
    ]


def _dangling(procedure: Procedure) -> Iterator[Wrong]:
    for at, step in enumerate(procedure.steps):
        for outcome, target in step.next.items():
            if target not in (END, EMERGENCY) and not procedure.has(target):
                says = f"the step {step.id!r} goes to {target!r} on {outcome!r}, and no step has that id."
                yield Wrong(says, ("steps", at, "next", outcome))
    for name, repair in procedure.repairs.items():
        if not procedure.has(repair.restart):
            says = f"the repair {name!r} goes to {repair.restart!r}, and no step has that id."
            yield Wrong(says, ("repairs", name, "restart"))
    for at, name in enumerate(procedure.shut_down):
        if not procedure.has(name):
            yield Wrong(f"shutting down begins at {name!r}, and no step has that id.", ("shut_down", at))


def _unknown_names(
    procedure: Procedure,
    quantities: Mapping[str, Quantity],
    hazards: Mapping[str, Hazard],
    findings: Mapping[str, Computation],
) -> Iterator[Wrong]:
    ids = [step.id for step in procedure.steps]
    for at, step in enumerate(procedure.steps):
        keys: Keys = ("steps", at)
        if step.id in ids[:at]:
            yield Wrong(f"the step {step.id!r} is written twice.", (*keys, "id"))
        for quantity in step.quantities:
            if quantity not in quantities:
                place = ("quantity",) if step.quantity else ("times", quantity)
                yield Wrong(
                    f"the step {step.id!r} asks for {quantity!r}, which is not a known quantity.", (*keys, *place)
                )
        for number, name in enumerate(step.hazards):
            if name not in hazards:
                says = f"the step {step.id!r} names the hazard {name!r}, which is not in the hazards file."
                yield Wrong(says, (*keys, "hazards", number))
        for number, name in enumerate(step.works_out):
            if name not in findings:
                says = f"the step {step.id!r} works out {name!r}, which is not a known finding."
                yield Wrong(says, (*keys, "works_out", number))
        for number, name in enumerate(step.wait.since if step.wait else ()):
            if name not in ids:
                says = f"the step {step.id!r} waits since {name!r}, and no step has that id."
                yield Wrong(says, (*keys, "wait", "since", number))
        for outcome in step.next:
            left_out = ("skip",) if step.needs or step.never_after else ()
            if outcome not in (*step.outcomes(), *left_out, "then"):
                yield Wrong(f"the step {step.id!r} can never end in {outcome!r}.", (*keys, "next", outcome))
    for name, repair in procedure.repairs.items():
        for number, voided in enumerate(repair.voids):
            if voided not in quantities and not procedure.has(voided):
                says = f"the repair {name!r} voids {voided!r}, which is no known quantity and no step."
                yield Wrong(says, ("repairs", name, "voids", number))


def dangers(step: Step, quantities: Mapping[str, Quantity]) -> dict[Danger, str]:
    """What can hurt at a step, each with the reason: what it says itself, what it sets, proves and measures."""
    found: dict[Danger, str] = dict.fromkeys(step.dangers, "it says so")
    if step.sets:
        if step.sets.power != "unknown":
            found["stored energy" if step.sets.power == "isolated" else "live parts"] = "it changes the power"
        if step.sets.gas == "on":
            found["gas"] = "it opens the gas"
    if step.burner == "lights":
        found["light-off"] = "it lights the burner"
    for proof in step.proves:
        if proof in _DANGER_OF_PROOF:
            found[_DANGER_OF_PROOF[proof]] = f"it is the {proof} test"
    for name in step.quantities:
        quantity = quantities.get(name)
        if quantity and quantity.danger:
            found[quantity.danger] = f"it reads the {quantity.spoken}"
        if quantity and UNITS[quantity.unit].circuit == "live":
            found["live parts"] = "it measures live"
    if "spark" in step.events:
        found["spark"] = "it sparks"
    return found


_DANGER_OF_PROOF: dict[Proof, Danger] = {
    "flame-failure": "flame failure",
    "jumpers-out": "jumpers",
    "leak-check": "leak",
    "low-gas-check": "low gas",
}
CAUTION_IS_ENOUGH: tuple[Danger, ...] = ("low gas", "flue gas")
"""Dangers whose warning may be a caution; all others wait for "understood"."""


def required(procedure: Procedure) -> dict[Proof, str]:
    """The safety tests that a procedure must contain, each with for whom it must."""
    found: dict[Proof, str] = dict.fromkeys(
        (
            "proved-dead",
            "ground-path",
            "limit-switch",
            "rollout-switch",
            "pressure-switch",
            "sequence-timing",
            "venting",
            "flue-oxygen",
            "flue-co",
            "flame-failure",
            "jumpers-out",
            "leak-check",
        ),
        "every procedure",
    )
    found |= dict.fromkeys(procedure.must_prove, procedure.ignition)
    if procedure.fuel == "LP":
        found["lock-out"] = "LP: 100 % lock-out"
        found["low-gas-check"] = "LP"
    return found


def _incomplete(procedure: Procedure) -> Iterator[Wrong]:
    proved = {proof for step in procedure.steps for proof in step.proves}
    for proof, whom in required(procedure).items():
        if proof not in proved:
            yield Wrong(f"there is no {proof} test, which is required of {whom}.", ("steps",))
    for at, step in enumerate(procedure.steps):
        for number, proof in enumerate(step.proves):
            if proof in NEVER_LEFT_OUT and (step.skippable or step.needs):
                says = f"the step {step.id!r} is the {proof} test, so it cannot be skippable or be left out."
                yield Wrong(says, ("steps", at, "proves", number))
        if "flame-failure" in step.proves and not (step.sets and step.sets.gas == "shut"):
            says = (
                f"the step {step.id!r} must take the flame away by closing the gas cock (sets gas shut), "
                "never by a live lead."
            )
            yield Wrong(says, ("steps", at, "sets" if step.sets else "proves"))


def _unfit_steps(procedure: Procedure, quantities: Mapping[str, Quantity]) -> Iterator[Wrong]:
    for at, step in enumerate(procedure.steps):
        keys: Keys = ("steps", at)
        if step.sets and step.sets.power != "unknown" and step.sets.gas != "unknown":
            yield Wrong(f"the step {step.id!r} changes power and gas at once; make two steps of it.", (*keys, "sets"))
        for name in step.quantities:
            unit = quantities[name].unit if name in quantities else ""
            if name in step.times and unit and unit != "second":
                says = f"the step {step.id!r} times {name!r}, which is not in seconds."
                yield Wrong(says, (*keys, "times", name))
            circuit = UNITS[unit].circuit if unit else None
            if circuit == "dead" and (step.power, step.gas) != (("dead",), ("shut",)):
                says = f"the step {step.id!r} reads ohms, so it needs the power dead and the gas shut."
                yield Wrong(says, (*keys, "quantity"))
            if circuit == "live" and step.power != ("live",):
                says = f"the step {step.id!r} reads a live circuit, so it needs the power live."
                yield Wrong(says, (*keys, "quantity"))


def _open_gate(
    procedure: Procedure,
    quantities: Mapping[str, Quantity],
    findings: Mapping[str, Computation],
    limits: Mapping[str, Limit],
) -> Iterator[Wrong]:
    """What would keep the gate open that closes the way to gas and light on an unsafe finding."""
    voided = {name for repair in procedure.repairs.values() for name in repair.voids}
    for name, repair in ((step.mends, step) for step in procedure.steps if step.mends):
        if name not in procedure.repairs:
            at = procedure.steps.index(repair)
            yield Wrong(f"the step {repair.id!r} mends {name!r}, which is no known repair.", ("steps", at, "mends"))
    for at, step in enumerate(procedure.steps):
        keys: Keys = ("steps", at)
        said = {quantities[name].burner for name in step.quantities if name in quantities}
        must = "lights" if "lights" in said or "light-off" in step.dangers else "runs" if "runs" in said else None
        if must and step.burner != must:
            yield Wrong(f"the step {step.id!r} must say that the burner {must} there (burner: {must}).", keys)
        if step.forbids and not step.bad:
            yield Wrong(f"the step {step.id!r} forbids something, and no answer to it is bad.", (*keys, "forbids"))
        if step.bad and step.proves and not step.forbids:
            says = f"the step {step.id!r} is the {step.proves[0]} test, so its bad answer must forbid something."
            yield Wrong(says, (*keys, "proves"))
        if step.forbids and step.id not in voided and not step.no_repair:
            says = f"no repair voids the step {step.id!r}, so nothing could open again what it forbids."
            yield Wrong(says, (*keys, "forbids"))
        for name in (*step.quantities, *step.works_out):
            inputs = findings[name].readings if name in findings else (name,)
            if name in limits and limits[name].forbids and not voided & {*inputs, step.id}:
                yield Wrong(f"no repair voids {name!r}, so nothing could open again what it forbids.", keys)
    if not procedure.shut_down:
        yield Wrong("it names no step at which shutting down begins (shut_down).", ("steps",))


@dataclass(frozen=True)
class _On:
    """Where a path stands: power and gas, the dangers warned of since they last changed, the tests behind it, and
    whether the burner may burn."""

    site: State = field(default_factory=State)
    burning: bool = False
    warned: frozenset[Danger] = frozenset()
    proved: frozenset[Proof] = frozenset()

    def after(self, step: Step, outcome: str, hazards: Mapping[str, Hazard]) -> _On:
        """Where it stands once a step ended so."""
        site = after_step(self.site, step, outcome)
        if outcome == "skip":  # it may have been skipped before its warnings were voiced
            return self
        standing = self.warned
        if site.power != self.site.power:
            standing = frozenset()
        elif site.gas != self.site.gas:
            standing &= {"live parts"}
        warned = standing | warned_by(step, hazards)
        proved = set(self.proved)
        if step.quantities or step.sets:
            proved.discard("leak-check")  # it is the last of all
        if site.gas == "on" != self.site.gas:
            proved.discard("low-gas-check")
        if outcome not in step.bad and not (step.kind == "check" and step.next.get(outcome) == step.id):
            proved.update(proof for proof in step.proves if proof in NEVER_LEFT_OUT)
        burning = step.burner == "lights" or (self.burning and site == State(power="live", gas="on"))
        return _On(site, burning, warned, frozenset(proved))

    def wrong_at(
        self, step: Step, at: int, had: Mapping[Danger, str], fuel: str, hazards: Mapping[str, Hazard]
    ) -> Iterator[Wrong]:
        """What is wrong with coming to a step so."""
        keys: Keys = ("steps", at)
        for what, allowed, actual in (("power", step.power, self.site.power), ("gas", step.gas, self.site.gas)):
            if allowed and actual not in allowed:
                needs = f"it needs {' or '.join(allowed)}"
                yield Wrong(f"the step {step.id!r} can be reached with the {what} {actual}; {needs}.", (*keys, what))
        for danger, why in had.items():
            if danger not in self.warned | warned_by(step, hazards):
                yield Wrong(f"the step {step.id!r} is reached without a warning of {danger} ({why}).", keys)
        if self.burning and not step.burner and not step.shuts_down and (step.power, step.gas) == (("live",), ("on",)):
            says = f"the step {step.id!r} is worked while the burner may burn; it must say so (burner: runs)."
            yield Wrong(says, keys)
        opens = step.sets is not None and step.sets.gas == "on"
        if fuel == "LP" and opens and "low-gas-check" not in self.proved:
            says = f"the step {step.id!r} opens LP, and on a path to it nobody checked that none lies low."
            yield Wrong(says, (*keys, "sets"))

    def wrong_at_end(self, must: Iterable[Proof]) -> Iterator[Wrong]:
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


def _unsafe_paths(
    procedure: Procedure, quantities: Mapping[str, Quantity], hazards: Mapping[str, Hazard]
) -> Iterator[Wrong]:
    """Walks all paths with every outcome; after a repair, from where it leads, whatever power and gas are then."""
    number = {step.id: at for at, step in enumerate(procedure.steps)}
    down = [procedure.step(name) for name in procedure.shut_down]
    had = {step.id: dangers(step, quantities) for step in procedure.steps}
    must = tuple(required(procedure))
    restarts = {repair.restart for repair in procedure.repairs.values()}
    waiting = [(procedure.steps[0].id, _On())]
    seen: set[tuple[str, _On]] = set()
    said: dict[Wrong, None] = {}
    leads_to: dict[str, set[str]] = {step.id: set() for step in procedure.steps}

    def come_to(step: Step, on: _On) -> None:
        wrongs = on.wrong_at(step, number[step.id], had[step.id], procedure.fuel, hazards)
        said.update(dict.fromkeys(wrongs))
        if down and step.fits(on.site) and step.act:
            fit = next((each for each in down if each.fits(on.site)), None)
            if fit is None:
                says = f"no step of shut_down can be worked as power and gas are at the step {step.id!r}."
                said[Wrong(says, ("steps", number[step.id]))] = None
            else:
                waiting.append((fit.id, on))

    while waiting:
        step_id, on = waiting.pop()
        if (step_id, on) in seen or step_id == EMERGENCY:
            continue
        seen.add((step_id, on))
        if step_id == END:
            said.update(dict.fromkeys(on.wrong_at_end(must)))
            continue
        waiting.extend((restart, _On(on.site)) for restart in restarts)
        run = procedure.run(step_id)
        if run:
            # Any order, and any of them left out: none may count on a warning of another, nor may what follows. A
            # run changes neither power nor gas and proves nothing that is counted, so this is the worst of its paths.
            past = procedure.after_run(run)
            for step in run:
                come_to(step, on)
                seen.add((step.id, on))
                leads_to[step.id].add(past)
            waiting.extend((past, each) for each in (on, replace(on, proved=on.proved - {"leak-check"})))
            continue
        step = procedure.step(step_id)
        come_to(step, on)
        for outcome in (*step.outcomes(), *(("skip",) if step.needs or step.never_after else ())):
            target = procedure.after(step, outcome)
            leads_to[step_id].add(target)
            waiting.append((target, on.after(step, outcome, hazards)))
    yield from said
    yield from _dead_ends(procedure, leads_to, {step_id for step_id, _ in seen})
    yield from _lit_again(procedure, leads_to)


def _lit_again(procedure: Procedure, leads_to: Mapping[str, set[str]]) -> Iterator[Wrong]:
    """The shut-down may lead to nothing that opens the gas, lights or runs."""
    reached, waiting = set[str](), list(procedure.shut_down)
    while waiting:
        step_id = waiting.pop()
        if step_id in reached or step_id in (END, EMERGENCY):
            continue
        reached.add(step_id)
        waiting += leads_to[step_id]
        step = procedure.step(step_id)
        if step.act:
            says = f"the shut-down leads to the step {step_id!r}, which opens the gas, lights or runs."
            yield Wrong(says, ("steps", procedure.number(step_id) - 1))


def _dead_ends(procedure: Procedure, leads_to: Mapping[str, set[str]], reached: set[str]) -> Iterator[Wrong]:
    ends = {END}
    while more := {step_id for step_id, targets in leads_to.items() if targets & ends} - ends:
        ends |= more
    if END not in reached:
        yield Wrong("no path leads to the end.", ("steps",))
    for at, step in enumerate(procedure.steps):
        if step.id not in reached:
            yield Wrong(f"no path leads to the step {step.id!r}.", ("steps", at))
        elif step.id not in ends:
            yield Wrong(f"no way leads out of the step {step.id!r} to the end.", ("steps", at))
