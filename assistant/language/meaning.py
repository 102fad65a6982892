"""What words can mean at a question: a reading, several, a command, or why none of them."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Literal

from assistant.trade.quantities import Overload, Quantity

Value = Decimal | Overload


def value_text(value: Value) -> str:
    """A value as text: its digits as said, "open" or "over-range"."""
    return value.value if isinstance(value, Overload) else f"{value:f}"


def number_of(text: str) -> Decimal | None:
    """The figure that a text is; None where it is none, as "open"."""
    try:
        number = Decimal(text)
    except InvalidOperation:
        return None
    return number if number.is_finite() else None


Reason = Literal[
    "silence",  # nothing was said
    "not-understood",  # the words are in no form that this question takes
    "ambiguous",  # several values remain
    "wrong-dimension",  # a voltage where ohms are asked
    "out-of-span",  # more than the instrument can show
    "no-number",  # "nothing", "shorted": not a figure
    "bound",  # "over one twenty", "below": not a figure either
    "trend",  # "rising"
    "reversed",  # a value below zero, where only the leads can be the wrong way round
    "not-asked",  # a reading at a question that takes none
    "refused-before",  # the value that was just refused
]
Confirm = Literal["always", "confusable", "alternative"]


@dataclass(frozen=True)
class Reading:
    """A value read off a meter, kept as said: the digits of `value` are the digits spoken.

    value: a Decimal, or Overload.OPEN / OVER_RANGE. unit: pint name, as said, or the question's if none was.
    upper: the other end, where a range was said ("between two and three"); the meter was not steady then.
    """

    value: Value
    unit: str
    approximate: bool = False
    upper: Decimal | None = None
    steady: bool = True  # no range, and not "bouncing around"
    below: bool = False  # it is less than the value: "closed", "less than an ohm"
    mended: bool = False  # the last of two said in one breath, "one twenty, no, one thirty", or after a slurred word

    @property
    def values(self) -> tuple[Value, ...]:
        """The value, or both ends of a range."""
        return (self.value,) if self.upper is None else (self.value, self.upper)


@dataclass(frozen=True)
class Readings:
    """Readings that name their quantities, in the order said: of another quantity than asked, or several."""

    entries: tuple[tuple[str, Reading | Unclear], ...]


@dataclass(frozen=True)
class Command:
    """A command by name, such as "say-again"."""

    name: str
    of: str = ""  # its argument: the symptom, the repair, a timer's seconds, what an emergency is of, a note's words
    marks: tuple[str, ...] = ()  # of "mark": the event named after each, empty where none was


@dataclass(frozen=True)
class Named:
    """An answer in the question's own words: a reason, a repair, an event, what a set-up asks."""

    rule: str  # of the question's grammar
    of: str  # its tag


@dataclass(frozen=True)
class Unclear:
    """Why the words are not taken."""

    reason: Reason
    choices: tuple[str, ...] = ()  # the values they may mean, as decimal strings, plainest first
    detail: str = ""
    near: Command | None = None  # the command that they nearly are, to be proposed and never taken


Meaning = Reading | Readings | Command | Named | Unclear


def gives_value(meaning: Meaning) -> bool:
    """Whether it is a value, or several to choose from."""
    return isinstance(meaning, Reading) or (isinstance(meaning, Unclear) and bool(meaning.choices))


def word_of(meaning: Meaning) -> str:
    """The word of the table that a meaning is."""
    match meaning:
        case Command(name):
            return name
        case Reading():
            return "reading"
        case Readings():
            return "readings"
        case Named():
            return "named"
        case Unclear():
            return "unclear"


@dataclass(frozen=True)
class Question:
    """What is being asked. Without a quantity only commands and yes or no answer it.

    names: the recognizer is to expect readings that name other quantities too (a helper's list).
    words: rules whose sentences answer it, too; one that the grammars of an older record lack answers nothing.
    """

    name: str
    quantity: Quantity | None = None
    names: bool = False
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class Considered:
    """One value that the words can mean, how it comes about, and why it was let go (empty: it stays)."""

    reading: Reading
    how: str
    gone: str = ""
