"""A fault played against the ranking, and in a visit: what is measured, in which order, until its cause is named."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from simulated import Technician, language

from assistant.dialogue.ranking import evidence, next_of, probable
from assistant.dialogue.state import Phase
from assistant.files import library
from assistant.language.meaning import Command, Question, Value
from assistant.trade.faults import UNUSUAL, Faults, Row
from assistant.trade.job import Appliance, Fuel, Ignition
from assistant.trade.limits import limit_for
from assistant.trade.procedures import State, Step

ANY = State(power="live", gas="on")


@dataclass(frozen=True)
class Played:
    """measured_to_second, measured_to_first: how many measurements until the cause was among the first two, and
    first; None where it never was."""

    row: Row
    cause: str
    measured_to_second: int | None
    measured_to_first: int | None


IGNITIONS: tuple[Ignition, ...] = ("hot surface", "direct spark", "intermittent pilot", "standing pilot")
FUELS: tuple[Fuel, ...] = ("natural gas", "LP")


def appliances() -> Iterator[Appliance]:
    """One of each kind that there is."""
    for fuel in FUELS:
        for ignition in IGNITIONS:
            yield Appliance(description="invented", fuel=fuel, ignition=ignition)


def appliance_of(faults: Faults, row: Row, cause: str | None = None) -> Appliance:
    """The first appliance that can have a row, and the cause."""
    return next(
        each for each in appliances() if row.holds(each) and (cause is None or faults.causes[cause].holds(each))
    )


def true_outcome(faults: Faults, cause: str, observation: str, row: Row) -> str:
    """What is most often seen there where this is the cause."""
    return max(faults.outcomes[observation], key=lambda o: faults.likelihood(cause, observation, o, row))


def play(faults: Faults, row: Row, cause: str, by_table: bool) -> Played:
    """One fault, measured in the order of the table or by expected information."""
    evidence = dict(row.seen)
    appliance = appliance_of(faults, row, cause)
    to_second = to_first = None
    order = iter([name for name in row.next if name not in evidence]) if by_table else None
    for measured in range(12):
        names = [probable.cause for probable in faults.probable(evidence, appliance, row.symptom)]
        if to_second is None and cause in names[:2]:
            to_second = measured
        if to_first is None and names[:1] == [cause]:
            to_first = measured
        following = next(order, None) if order else faults.next_best(evidence, appliance, ANY, row.symptom)
        if following is None or to_first is not None:
            break
        evidence[following] = true_outcome(faults, cause, following, row)
    return Played(row, cause, to_second, to_first)


def every(faults: Faults, by_table: bool) -> Iterator[Played]:
    for row in faults.rows:
        for cause in row.causes:
            yield play(faults, row, cause, by_table)


# --- in a visit


@dataclass
class NoHeat(Technician):
    """A visit to an appliance with one fault: the symptom is told, and each step is answered as the fault has it.

    measured: the steps that told something of the fault, in order, until it was named.
    """

    row: Row = None  # type: ignore[assignment]
    cause: str = ""
    measured: list[str] = field(default_factory=list)

    @property
    def faults(self) -> Faults:
        return self.dialogue.rules.faults

    def named(self) -> bool:
        """Whether the fault is the first or the second of the probable causes."""
        seen = evidence(self.dialogue.rules, self.state)
        return self.cause in [each.cause for each in probable(self.dialogue.rules, self.state, seen)[:2]]

    def run(self) -> bool:
        """Works the visit until the fault is named; whether it was."""
        self.begin()
        for _ in range(400):
            if self.state.phase is Phase.CLOSED:
                return False
            if self.state.phase is not Phase.ASKING or self.state.hand.untold:
                self.turn()
                continue
            step = self.procedure.step(self.state.step)
            if step.id == "complaint":
                self.tell_the_symptom()
            if self.state.symptom and self.named():
                return True
            if step.id == "vent" and (name := self.next_repair()):
                self.measured.append(name)
                self.say(f"repair {self.procedure.repairs[name].say}")
                self.say("yes")
                continue
            if self.state.symptom and next_of(self.dialogue, self.state, [step])[1]:
                self.measured.append(step.id)
            self.answer_as_it_is(step)
        return False

    def tell_the_symptom(self) -> None:
        """Says the symptom that has the fewest rows beside the fault's own."""
        known = [(len(of.rows), name) for name, of in self.faults.symptoms.items() if self.row.symptom in of.rows]
        sentences = language().grammar.sentences("symptom")
        self.say(
            next(
                s for s in sentences if language().understand(s, Question("told")) == Command("symptom", min(known)[1])
            )
        )

    def next_repair(self) -> str:
        """The repair that would tell most now; empty where no repair would."""
        seen = evidence(self.dialogue.rules, self.state)
        best = self.faults.next_best(seen, self.dialogue.rules.job.appliance, self.state.site, self.state.symptom)
        name = (best and self.faults.observations[best].repair) or ""
        return name if all(made.name != name for made in self.state.repairs) else ""

    def answer_as_it_is(self, step: Step) -> None:
        """Answers a step as the fault has it."""
        seen = {
            name: self.outcome(name)
            for name, observation in self.faults.observations.items()
            if observation.at(step) is not None
        }
        if step.kind == "check" and seen:
            answers = [(self.faults.observations[name].steps.get(step.id, {}), told) for name, told in seen.items()]
            as_usual = all(of.get("yes") in (told, None) for of, told in answers)
            assert as_usual or all(of["no"] in (told, UNUSUAL) or of["yes"] == told for of, told in answers)
            self.answer_step("yes" if as_usual else "no")
            return
        if step.kind == "read" and seen and step.quantity:
            name = next((n for n in seen if self.faults.observations[n].quantity == step.quantity), "")
            for value in self._values(step.quantity) if name else ():
                if self._means(name, value) == seen[name]:
                    self.say(self.words(step, value))
                    while self.state.phase is Phase.CONFIRMING:
                        self.say("yes")
                    return
        plain = [o for o in self.plain_first(step.id) if o not in ("skip", "fail")]
        self.answer_step(next((o for o in ("pass", step.good) if o in plain), plain[0]))

    def outcome(self, observation: str) -> str:
        """What is seen there: what the row says, what the fault shows, or what a repair has made of it."""
        for name, after in self.faults.observations.items():
            made = any(made.name == after.repair for made in self.state.repairs)
            if made and after.rereads == self.faults.observations[observation].quantity:
                better = true_outcome(self.faults, self.cause, name, self.row) == "better"
                return self.faults.observations[observation].usual if better else self.row.seen[observation]
        return self.row.seen.get(observation) or true_outcome(self.faults, self.cause, observation, self.row)

    def _means(self, observation: str, value: Value) -> str | None:
        quantity = self.faults.observations[observation].quantity or ""
        limit = limit_for(quantity, self.dialogue.rules.limits, self.dialogue.rules.job)
        return self.faults.outcome_of(observation, value, limit)


def visit(row: Row, cause: str) -> NoHeat:
    """A no heat visit to the fault."""
    appliance = appliance_of(library().faults, row, cause)
    wanted = (appliance.ignition, appliance.fuel, "no heat")
    procedures = library().procedures.values()
    procedure = next(p for p in procedures if (p.ignition, p.fuel, p.visit) == wanted)
    return NoHeat(procedure, row=row, cause=cause)
