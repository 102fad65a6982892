"""What is worked out in a visit: from its readings, the job file, another computation, or a generic figure."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Literal

from assistant.trade import units
from assistant.trade.computation import UNCERTAINTY, Feed, Given, Worked
from assistant.trade.computations import COMPUTATIONS
from assistant.trade.formulas.uncertainty import expanded_from_half_width
from assistant.trade.job import Job

Origin = Literal["reading", "said", "job file", "worked out", "generic"]


@dataclass(frozen=True)
class Known:
    """An input that is known."""

    value: Given
    unit: str
    origin: Origin
    expanded_uncertainty: Decimal | None = None  # in `unit`, k = 2; None: not known


@dataclass(frozen=True)
class Lacking:
    """An input that is not known."""

    quantity: str  # its name; empty where `says` tells in a sentence why nothing helps
    feed: Feed
    says: str = ""


@dataclass(frozen=True)
class Result:
    """What was worked out."""

    worked: Worked
    inputs: Mapping[str, Known]
    whole: bool  # the uncertainty of every input is in that of the result
    generic: tuple[str, ...] = ()  # figures that it rests on which are nobody's own, as they are said


def feed(
    name: str,
    job: Job,
    known: Callable[[str], Known | None],
    declined: Collection[str] = (),
    finding: bool = False,
) -> Result | Lacking:
    """Works out `name`, or says which input is lacking: the first, in the order of the table.

    known: a quantity's reading, or what was said for it. declined: quantities that nobody knows here; their generic
    figure stands in. finding: it is a step's own, and no uncertainty is worked out.

    Raises:
        ValueError: one sentence, where the inputs do not fit the formula.
    """
    computation = COMPUTATIONS[name]
    inputs: dict[str, Known] = {}
    generic = [computation.generic_says] if computation.generic_says else []
    whole = True
    for key, of in ((each.key, each.feed) for each in computation.takes if each.feed):
        if of.computation:
            got = feed(of.computation, job, known, declined, finding)
            if isinstance(got, Lacking) and of.generic is None:
                return got
            if isinstance(got, Result):
                worked = got.worked
                inputs[key] = Known(worked.value, worked.unit, "worked out", worked.expanded_uncertainty)
                generic += got.generic
                whole = whole and got.whole
                continue
        found = _known(of, job, known, declined)
        if found is None:
            says = "" if of.quantity else "The job file does not give what it needs from the plate."
            return Lacking(of.quantity, of, says)
        if found.origin == "generic":
            generic.append(of.generic_says)
        inputs[key] = found
        whole = whole and (isinstance(found.value, str) or found.expanded_uncertainty is not None)
    given = {key: each.value for key, each in inputs.items()}
    doubts = {UNCERTAINTY + key: each.expanded_uncertainty for key, each in inputs.items() if not finding}
    given |= {key: doubt for key, doubt in doubts.items() if doubt is not None}
    return Result(computation.work_out(given), inputs, whole, tuple(dict.fromkeys(generic)))


def _known(of: Feed, job: Job, known: Callable[[str], Known | None], declined: Collection[str]) -> Known | None:
    found = known(of.quantity) if of.quantity else None
    if found is not None:
        return _doubted(_in_unit(found, of.unit), of)
    given = of.job(job) if of.job else None
    if given is not None:
        return _doubted(Known(given, of.unit, "job file"), of)
    if of.generic is None or of.generic_for not in (None, job.appliance.fuel):
        return None
    return Known(of.generic, of.unit, "generic") if not of.quantity or of.quantity in declined else None


def _in_unit(found: Known, unit: str) -> Known:
    if not unit or isinstance(found.value, str) or found.unit == unit:
        return found
    doubt = found.expanded_uncertainty
    if doubt is not None:
        doubt = units.convert(doubt, f"delta_{found.unit}", f"delta_{unit}")  # only temperatures are converted
    return Known(units.convert(found.value, found.unit, unit), unit, found.origin, doubt)


def _doubted(found: Known, of: Feed) -> Known:
    """With the usual doubt of what no meter tells; an exact word has none."""
    if of.half_width_percent is None or isinstance(found.value, str) or found.expanded_uncertainty is not None:
        return found
    width = expanded_from_half_width(found.value * of.half_width_percent / 100)
    return replace(found, expanded_uncertainty=width)
