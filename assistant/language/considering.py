"""From the derivations of a reading to its value: all that it can mean first, then what takes meanings away.

The unit said, the quantity asked and what the instrument can show decide. The limit that judges a reading is
not known here, so it cannot choose (decision 2).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import replace
from decimal import Decimal

from assistant.language.jsgf import Node
from assistant.language.meaning import Considered, Reading, Reason, Unclear, Value
from assistant.language.numbers import Number, fraction, minutes, numbers
from assistant.language.spoken import spoken_unit
from assistant.trade import units
from assistant.trade.quantities import Overload, Quantity

HUNDREDTHS = Decimal("0.01")

# Words that give no figure, by the rule of the grammar that took them.
_NO_FIGURE: dict[str, Reason] = {
    **dict.fromkeys(("shorted", "nothing", "no_signal", "open", "closed"), "no-number"),
    "bound": "bound",
    "trend": "trend",
}

_WRONG_KIND = "another kind of unit"
_POINT = "the meter shows no hundredths, so no point is left out"
_CLOCK = "minutes and seconds are for times"
_SPAN = "more than the meter shows"
_REVERSED = "below zero"
_REFUSED = "just refused"

_DIRECT = ("microampere", "millivolt")
"""What meters show below zero where their leads are reversed, and else do not."""
_BELOW = Decimal(1)
"""In ohms: what is "closed" is below it. Common practice: a good path is well under one ohm."""


def considered(derivations: Iterable[Node], quantity: Quantity, refused: Collection[Value]) -> list[Considered]:
    """Every value that the derivations can mean at this quantity, each with why it was let go, if it was.

    derivations: of what holds an <amount>, <range> or <open>: a <reading> or an <entry>.
    """
    meant = dict.fromkeys(
        _mended(c) if node.node("slurred") else c
        for node in derivations
        for part in _parts(node)
        for c in _meanings(part, quantity)
    )
    return [replace(c, gone=_gone(c, quantity, refused)) for c in meant]


def decide(found: list[Considered], derivations: list[Node], quantity: Quantity) -> Reading | Unclear:
    """The one value that stays, or why there is none or more than one."""
    if not found:
        part = _parts(derivations[0])[0]
        rises = part.rule == "trend" and not {"falling", "down"} & set(part.words)
        return Unclear(_NO_FIGURE[part.rule], detail="rising" if rises else "")
    staying = [c for c in found if not c.gone]
    if not staying:
        return _none_stays(found, quantity)
    # The same amount said in two ways ("4.7 k ohms") is one meaning.
    distinct = {amount(c.reading, quantity): c for c in reversed(staying)}
    if len(distinct) > 1:
        values = (c.reading.value for c in staying)
        choices = dict.fromkeys(f"{value:f}" for value in values if isinstance(value, Decimal))
        return Unclear("ambiguous", tuple(choices))
    return staying[0].reading


def _none_stays(found: list[Considered], quantity: Quantity) -> Unclear:
    reasons = {c.gone for c in found}
    if _REFUSED in reasons:
        return Unclear("refused-before")
    if reasons == {_WRONG_KIND}:
        detail = f"that is {units.UNITS[found[0].reading.unit].measures}; I asked for {spoken_unit(quantity.unit)}"
        return Unclear("wrong-dimension", detail=detail)
    if _REVERSED in reasons:
        return Unclear("reversed")
    worst = next(c.reading for c in found if c.gone == _SPAN)
    return Unclear("out-of-span", detail=f"{worst.value} is more than that meter shows")


def amount(reading: Reading, quantity: Quantity) -> tuple[object, ...]:
    """The values of a reading in the unit of its quantity, to compare it with another: 4.7 k ohms are 4700 ohms."""
    unit = quantity.unit
    return tuple(units.convert(v, reading.unit, unit) if isinstance(v, Decimal) else v for v in reading.values)


def _parts(node: Node) -> list[Node]:
    return [part for part in node.parts if isinstance(part, Node) and part.rule not in ("name", "lead", "slurred")]


def _meanings(node: Node, quantity: Quantity) -> Iterator[Considered]:
    unit_node = node.node("unit")
    unit = unit_of(unit_node.tags[0], quantity) if unit_node else quantity.unit
    match node.rule:
        case "open" if not node.tags or units.same_dimension(node.tags[0], quantity.unit):
            yield Considered(Reading(Overload(quantity.overload), quantity.unit), "as said")
        case "closed" if quantity.closes:
            yield Considered(Reading(_BELOW, "ohm", below=True), "closed")
        case "no_signal" if quantity.name in node.tags:
            yield Considered(Reading(Decimal(0), quantity.unit), "none")
        case "mended":
            yield from map(_mended, _meanings(node.nodes("amount")[-1], quantity))
        case "range":
            low, high = _ends(node)
            yield Considered(Reading(low, unit, upper=high, steady=False), "a range")
        case "amount":
            worths, unit = _worths(node, unit)
            for worth in worths:
                value = -worth.value if node.node("sign") else worth.value
                steady = node.node("unsteady") is None
                about = node.node("about") is not None or not steady
                yield Considered(Reading(value, unit, approximate=about, steady=steady), worth.form)


def _mended(c: Considered) -> Considered:
    return replace(c, reading=replace(c.reading, mended=True))


def _worths(amount: Node, unit: str) -> tuple[list[Number], str]:
    if timed := amount.node("minutes"):
        return minutes(timed), "second"
    if number := amount.node("number"):
        return numbers(number), unit
    return [Number(fraction(amount.node("fraction") or amount.nodes("bare_part")[0]))], unit  # half an inch


def _ends(node: Node) -> Iterator[Decimal]:
    """The numbers of a range; a sign stands before its own."""
    minus = False
    for part in _parts(node):
        if part.rule == "number":
            value = numbers(part)[0].value
            yield -value if minus else value
        minus = part.rule == "sign"


def unit_of(said: str, quantity: Quantity) -> str:
    """The pint name of a unit as said; degrees are differences where a difference is asked."""
    difference = quantity.unit.startswith("delta_")
    match said:
        case "degree":
            return quantity.unit if quantity.unit.endswith(("degF", "degC")) else "degF"
        case "fahrenheit":
            return "delta_degF" if difference else "degF"
        case "celsius":
            return "delta_degC" if difference else "degC"
    return said


def _gone(c: Considered, quantity: Quantity, refused: Collection[Value]) -> str:
    """Why a meaning is let go; empty when it stays."""
    said = c.reading
    if not _same_kind(said.unit, quantity.unit):
        return _WRONG_KIND
    if c.how == "point left out" and (said.unit != quantity.unit or quantity.resolution > HUNDREDTHS):
        return _POINT
    if c.how == "minutes and seconds" and said.unit != "second":
        return _CLOCK
    for value in said.values:
        if isinstance(value, Decimal):
            shown = units.convert(value, said.unit, quantity.unit)
            if shown < quantity.low == 0 and quantity.unit in _DIRECT:
                return _REVERSED
            if not quantity.low <= shown <= quantity.high:
                return _SPAN
    return _REFUSED if said.value in refused else ""


def _same_kind(said: str, asked: str) -> bool:
    """Per cent, parts per million and a count are all plain numbers, but none is said where another is asked."""
    return units.UNITS[said].measures == units.UNITS[asked].measures
