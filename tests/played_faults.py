"""A fault played against the ranking: what is measured, in which order, until its cause is named."""

from collections.abc import Iterator
from dataclasses import dataclass

from assistant.trade.faults import Faults, Row
from assistant.trade.job import Fuel
from assistant.trade.procedures import State

ANY = State(power="live", gas="on")


@dataclass(frozen=True)
class Played:
    """measured_to_second, measured_to_first: how many measurements until the cause was among the first two, and
    first; None where it never was."""

    row: Row
    cause: str
    measured_to_second: int | None
    measured_to_first: int | None


def fuel_of(row: Row) -> Fuel:
    return row.fuel or "natural gas"


def true_outcome(faults: Faults, cause: str, observation: str) -> str:
    """What is most often seen there where this is the cause."""
    usual = faults.observations[observation].usual
    outcomes = faults.outcomes(observation)
    return max(outcomes, key=lambda o: faults.causes[cause].likelihood(observation, o, usual, max(len(outcomes), 2)))


def play(faults: Faults, row: Row, cause: str, by_table: bool) -> Played:
    """One fault, measured in the order of the table or by expected information."""
    evidence = dict(row.seen)
    to_second = to_first = None
    order = iter([name for name in row.next if name not in evidence]) if by_table else None
    for measured in range(12):
        names = [probable.cause for probable in faults.probable(evidence, fuel_of(row), row.symptom)]
        if to_second is None and cause in names[:2]:
            to_second = measured
        if to_first is None and names[:1] == [cause]:
            to_first = measured
        following = next(order, None) if order else faults.next_best(evidence, fuel_of(row), ANY, row.symptom)
        if following is None or to_first is not None:
            break
        evidence[following] = true_outcome(faults, cause, following)
    return Played(row, cause, to_second, to_first)


def every(faults: Faults, by_table: bool) -> Iterator[Played]:
    for row in faults.rows:
        for cause in row.causes:
            yield play(faults, row, cause, by_table)
