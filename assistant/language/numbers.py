"""What the words of a number can be worth: every value, and how each comes about.

The words reach this module as derivations of grammars/numbers.jsgf, one function here for each rule there.
Digits are kept as said: "two point oh" is Decimal("2.0").
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Literal

from assistant.language.jsgf import Node
from assistant.trade.units import round_significant

Form = Literal["as said", "point left out", "minutes and seconds"]


@dataclass(frozen=True)
class Number:
    """One thing a number can be worth.

    form: "as said"; "point left out" ("three fifty" for 3.50); "minutes and seconds" ("one twenty" for 80 s).
    """

    value: Decimal
    form: Form = "as said"


def numbers(node: Node) -> list[Number]:
    """Every worth of one derivation of <number>, the plainest first, none twice."""
    return list(dict.fromkeys(_number(node)))


def minutes(node: Node) -> list[Number]:
    """Every worth of a derivation of <minutes>, in seconds."""
    seconds = node.node("below_hundred")
    extra = _worth(seconds) if seconds else 0
    return [replace(n, value=round_significant(n.value * 60 + extra)) for n in numbers(node.nodes("number")[0])]


def fraction(node: Node) -> Decimal:
    """The worth of a derivation of <fraction> or <bare_part>; thirds are given to three places."""
    (part,) = node.nodes("part") or node.nodes("parts") or [node]
    count = node.node("nonzero")
    over = Decimal(part.tags[0])
    worth = Decimal(_worth(count) if count else 1) / over
    return worth if over != 3 else worth.quantize(Decimal("0.001"))


def _number(node: Node) -> Iterator[Number]:
    (inner,) = _inside(node)
    match inner.rule:
        case "whole":
            yield Number(Decimal(_worth(inner)))
        case "pair":
            yield Number(Decimal(_worth(inner)))
            head, end = map(_worth, _inside(inner))
            yield Number(Decimal(f"{head}.{end:02d}"), "point left out")
            if end < 60:
                yield Number(Decimal(head * 60 + end), "minutes and seconds")
        case "teen_digit":
            teen, digit = int(inner.tags[0]), _worth(inner.nodes("nonzero")[0])
            yield Number(Decimal(teen * 10 + digit))
            yield Number(Decimal(f"{teen}.{digit}"))
        case "spelled":
            digits = _spelled(inner)
            yield Number(Decimal(int(digits)))
            if digits[0] == "0" or len(digits) == 2:  # "oh five", "three five"
                yield Number(Decimal(f"{digits[0]}.{digits[1:]}"), "point left out")
            if digits[0] == "0" and len(digits) == 2:
                yield Number(Decimal(f"0.{digits}"), "point left out")
        case "decimal":
            yield Number(_decimal(inner))
        case "mixed":
            whole, part = _inside(inner)
            yield Number(_worth(whole) + fraction(part))
        case "fraction" | "bare_part":
            yield Number(fraction(inner))
        case "scaled":
            (base,) = _inside(inner)
            worth = _decimal(base) if base.rule == "decimal" else Decimal(_worth(base))
            yield Number(round_significant(worth * 1000))
        case "k_between":
            thousands, hundreds = map(_worth, _inside(inner))
            yield Number(Decimal(thousands * 1000 + hundreds * 100))


def _inside(node: Node) -> list[Node]:
    return [part for part in node.parts if isinstance(part, Node)]


_TIMES = {"hundreds": 100, "thousands": 1000}


def _worth(node: Node) -> int:
    """The worth of a whole number, of a pair, or of a part of these."""
    inside = _inside(node)
    if node.rule in _TIMES:
        counted = isinstance(node.parts[0], Node)  # else "a hundred", or "hundred and ..."
        count = _worth(inside[0]) if counted else 1
        return count * _TIMES[node.rule] + sum(map(_worth, inside[counted:]))
    if node.rule == "pair":
        head, end = map(_worth, inside)
        return head * 100 + end
    return sum(map(_worth, inside)) if inside else int(node.tags[0])


def _spelled(node: Node) -> str:
    said = ""
    for spelled in node.nodes("spelled_digit"):
        digit = str(_worth(spelled.nodes("digit")[0]))
        said += digit * (2 if "double" in spelled.tags else 1)
    return said


def _decimal(node: Node) -> Decimal:
    before, after = node.node("before_point"), node.nodes("after_point")[0]
    whole = "0"
    if before:
        (part,) = _inside(before)
        whole = _spelled(part) if part.rule == "spelled" else str(_worth(part))
    tens = after.node("tens")
    return Decimal(f"{int(whole)}.{_worth(tens) if tens else _spelled(after)}")
