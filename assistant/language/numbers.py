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
    extra = _below_hundred(seconds) if seconds else 0
    return [replace(n, value=round_significant(n.value * 60 + extra)) for n in numbers(node.nodes("number")[0])]


def fraction(node: Node) -> Decimal:
    """The worth of a derivation of <fraction> or <bare_part>; thirds are given to three places."""
    (part,) = node.nodes("part") or node.nodes("parts") or [node]
    count = node.node("nonzero")
    over = Decimal(part.tags[0])
    worth = Decimal(_tag(count) if count else 1) / over
    return worth if over != 3 else worth.quantize(Decimal("0.001"))


def _number(node: Node) -> Iterator[Number]:
    (inner,) = [part for part in node.parts if isinstance(part, Node)]
    match inner.rule:
        case "whole":
            yield Number(Decimal(_whole(inner)))
        case "pair":
            yield Number(Decimal(_pair(inner)))
            head, end = _pair_parts(inner)
            yield Number(Decimal(f"{head}.{end:02d}"), "point left out")
            if end < 60:
                yield Number(Decimal(head * 60 + end), "minutes and seconds")
        case "teen_digit":
            teen, digit = _tag(inner), _tag(inner.nodes("nonzero")[0])
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
            whole = _whole_or_pair(inner.node("whole") or inner.nodes("pair")[0])
            yield Number(whole + fraction(inner.nodes("fraction")[0]))
        case "fraction" | "bare_part":
            yield Number(fraction(inner))
        case "scaled":
            (base,) = [part for part in inner.parts if isinstance(part, Node)]
            worth = _decimal(base) if base.rule == "decimal" else Decimal(_whole_or_pair(base))
            yield Number(round_significant(worth * 1000))
        case "k_between":
            yield Number(Decimal(_whole(inner.nodes("whole")[0]) * 1000 + _tag(inner.nodes("nonzero")[0]) * 100))


def _tag(node: Node) -> int:
    return int(node.tags[0])


def _digit(node: Node) -> int:
    return _tag(node.node("nonzero") or node.nodes("zero")[0])


def _tens(node: Node) -> int:
    teen = node.node("teen")
    if teen:
        return _tag(teen)
    ones = node.node("nonzero")
    return _tag(node.nodes("ty")[0]) + (_tag(ones) if ones else 0)


def _below_hundred(node: Node) -> int:
    ones = node.node("nonzero")
    return _tag(ones) if ones else _tens(node.nodes("tens")[0])


def _count(node: Node) -> int:
    """What stands before "hundred" or "thousand": a number, or "a"."""
    counted = node.parts[0]
    if not isinstance(counted, Node):
        return 1
    return {"nonzero": _tag, "tens": _tens, "below_hundred": _below_hundred, "hundreds": _hundreds}[counted.rule](
        counted
    )


def _hundreds(node: Node) -> int:
    rest = node.node("below_hundred")
    return _count(node) * 100 + (_below_hundred(rest) if rest else 0)


def _thousands(node: Node) -> int:
    at = node.parts.index("thousand")
    rest = [part for part in node.parts[at + 1 :] if isinstance(part, Node)]
    worth = {"hundreds": _hundreds, "below_hundred": _below_hundred}
    return _count(node) * 1000 + (worth[rest[0].rule](rest[0]) if rest else 0)


def _whole(node: Node) -> int:
    (part,) = [part for part in node.parts if isinstance(part, Node)]
    worth = {"below_hundred": _below_hundred, "hundreds": _hundreds, "thousands": _thousands, "zero": _tag}
    return worth[part.rule](part)


def _pair_parts(node: Node) -> tuple[int, int]:
    head = node.parts[0]
    assert isinstance(head, Node)
    end = node.nodes("pair_end")[0]
    tens, ones = end.node("tens"), end.node("nonzero")
    return (
        _tag(head) if head.rule == "nonzero" else _tens(head),
        _tens(tens) if tens else _tag(ones) if ones else 0,
    )


def _pair(node: Node) -> int:
    head, end = _pair_parts(node)
    return head * 100 + end


def _whole_or_pair(node: Node) -> int:
    return _whole(node) if node.rule == "whole" else _pair(node)


def _spelled(node: Node) -> str:
    said = ""
    for spelled in node.nodes("spelled_digit"):
        digit = str(_digit(spelled.nodes("digit")[0]))
        said += digit * (2 if "double" in spelled.tags else 1)
    return said


def _decimal(node: Node) -> Decimal:
    before, after = node.node("before_point"), node.nodes("after_point")[0]
    whole = "0"
    if before:
        (part,) = [part for part in before.parts if isinstance(part, Node)]
        whole = _spelled(part) if part.rule == "spelled" else str(_whole_or_pair(part))
    tens = after.node("tens")
    return Decimal(f"{int(whole)}.{_tens(tens) if tens else _spelled(after)}")
