"""From the words heard to their meaning at a question: a reading, a command, or why neither.

All that the words can mean is gathered first; then the unit said, what is asked and what the instrument can
show take meanings away. The limit that judges a reading is not known here, so it cannot choose (decision 2).
A number is never repaired: words outside the grammar are a refusal with a reason.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from assistant.language.heard import Heard
from assistant.language.jsgf import Grammar, Node
from assistant.language.numbers import Number, fraction, minutes, numbers
from assistant.language.spoken import measured_kind, spoken_unit
from assistant.trade import units
from assistant.trade.quantities import Overload, Quantity

Value = Decimal | Overload
Reason = Literal[
    "silence",  # nothing was said
    "not-understood",  # the words are in no form that this question takes
    "ambiguous",  # several values remain
    "wrong-dimension",  # a voltage where ohms are asked
    "out-of-span",  # more than the instrument can show
    "no-number",  # "nothing", "shorted": not a figure
    "range",  # "between two and three"
    "bound",  # "over one twenty"
    "not-asked",  # a reading at a question that takes none
    "refused-before",  # the value that was just refused
]
Confirm = Literal["always", "confusable", "alternative"]

# A wrong hearing that is also a plausible value. Teens and tens differ in one unstressed syllable; TRADE
# rows 21-28 (common practice), and fifty/fifteen, ninety/nineteen, thirty/thirteen measured with the model.
CONFUSABLE = {
    "thirteen": "thirty",
    "fourteen": "forty",
    "fifteen": "fifty",
    "sixteen": "sixty",
    "seventeen": "seventy",
    "eighteen": "eighty",
    "nineteen": "ninety",
}
CONFUSABLE |= {ty: teen for teen, ty in CONFUSABLE.items()}

# A word that the recognizer is less sure of than this may be another word. Of 336 synthetic readings, clean
# and in blower noise at 10 and 5 dB, a third of the values heard wrongly held such a word, of the right ones 2 %.
FAINT = 0.7
# Another text is close when it fits this much less well, in the recognizer's log score. Of the same readings
# 2 % of the right ones had another value this close.
CLOSE = 3.0

# Letters that a synthesizer, a typist or another engine gives one by one.
SPELLED_OUT = {"p p m": "ppm", "p s i": "psi", "b t u": "btu", "o'l": "o l", "ol": "o l"}

# Said anywhere in an utterance, these are an emergency, whatever else was heard around them.
EMERGENCY_ANYWHERE = (
    "emergency",
    "smell gas",
    "gas smell",
    "smell of gas",
    "gas leak",
    "gas odor",
    "gas odour",
)

# Words that take everything after them as a recording.
NOTE_FIRST = (("note",), ("take", "a", "note"))


@dataclass(frozen=True)
class Reading:
    """A value read off a meter, kept as said: the digits of `value` are the digits spoken.

    value: a Decimal, or Overload.OPEN / OVER_RANGE. unit: pint name, as said, or the question's if none was.
    """

    value: Value
    unit: str
    approximate: bool = False


@dataclass(frozen=True)
class Command:
    """A command by name, such as "say-again"."""

    name: str


@dataclass(frozen=True)
class Unclear:
    """Why the words are not taken. choices: the values they may mean, as decimal strings, plainest first."""

    reason: Reason
    choices: tuple[str, ...] = ()
    detail: str = ""


Meaning = Reading | Command | Unclear


@dataclass(frozen=True)
class Question:
    """What is being asked. Without a quantity only commands and yes or no answer it."""

    name: str
    quantity: Quantity | None = None


def normalise(text: str) -> tuple[str, ...]:
    """Lower-case words without punctuation; spelled-out abbreviations become the trade's words."""
    plain = " ".join(re.sub(r"[^a-z\[\]' ]+", " ", text.lower().replace("-", " ")).split())
    for letters, word in SPELLED_OUT.items():
        plain = re.sub(rf"\b{letters}\b", word, plain)
    return tuple(plain.split())


@dataclass(frozen=True)
class Language:
    """The spoken language of the grammars: what words mean at a question."""

    grammar: Grammar

    def rules(self, question: Question) -> list[str]:
        """The rules that stand for a whole answer to this question."""
        return [*(["reading"] if question.quantity else []), *self.grammar.public["commands"]]

    def understand(self, text: str, question: Question, refused: Collection[Value] = ()) -> Meaning:
        """The meaning of `text` at `question`; `refused` are values just answered with "no"."""
        words = normalise(text)
        if not words:
            return Unclear("silence")
        for rule in self.grammar.public["commands"]:
            if self.grammar.parse(rule, words):
                return Command(rule.replace("_", "-"))
        said = f" {' '.join(words)} "
        if any(f" {phrase} " in said for phrase in EMERGENCY_ANYWHERE):
            return Command("emergency")
        if any(words[: len(first)] == first for first in NOTE_FIRST):
            return Command("note")
        derivations = self.grammar.parse("reading", words)
        if not derivations:
            return Unclear("not-understood")
        if question.quantity is None:
            return Unclear("not-asked", detail="no reading is asked here")
        return _reading(derivations, question.quantity, refused)

    def reason(self, text: str) -> str | None:
        """The reason for a skip, if the words give one of those known."""
        for node in self.grammar.parse("reason", normalise(text)):
            return node.tags[0]
        return None

    def confirm(self, text: str, meaning: Meaning, question: Question) -> Confirm | None:
        """Whether a reading needs a spoken yes for what its words and its question are."""
        if not isinstance(meaning, Reading) or question.quantity is None:
            return None
        if question.quantity.confirm:
            return "always"
        return "confusable" if self._has_a_double(text, question) else None

    def _has_a_double(self, text: str, question: Question) -> bool:
        """Whether one word heard wrongly would make another value that the meter could show."""
        words = normalise(text)
        for at, word in enumerate(words):
            if word in CONFUSABLE:
                other = self.understand(" ".join((*words[:at], CONFUSABLE[word], *words[at + 1 :])), question)
                if isinstance(other, Reading) or (isinstance(other, Unclear) and other.choices):
                    return True
        return False

    def rivals(
        self, heard: Heard, meaning: Meaning, question: Question, refused: Collection[Value] = ()
    ) -> list[Meaning]:
        """What else the sound may have been, when that is too close to call: it is asked, never chosen.

        Other readings among the recognizer's close alternatives; and an
        unclear one when a word was faint, since then any other number may have been said.
        """
        if not isinstance(meaning, Reading):
            return []
        close = (
            self.understand(other.text, question, refused) for other in heard.alternatives if other.worse_by <= CLOSE
        )
        found: list[Meaning] = [m for m in close if isinstance(m, Reading) and m.value != meaning.value]
        if any(word.confidence < FAINT for word in heard.words):
            found.append(Unclear("not-understood", detail="a word was faint"))
        return found

    def can_grow(self, text: str, question: Question) -> bool | None:
        """Whether a complete answer could still go on: None when it is not complete yet."""
        words = normalise(text)
        if isinstance(self.understand(text, question), Unclear):
            return None
        return any(self.grammar.expected(rule, words) for rule in self.rules(question))


def _reading(derivations: list[Node], quantity: Quantity, refused: Collection[Value]) -> Reading | Unclear:
    kinds = [node for d in derivations for node in d.parts if isinstance(node, Node)]
    amounts = [node for node in kinds if node.rule == "amount"]
    if not amounts:
        rule = kinds[0].rule
        if rule == "open":
            value = Overload(quantity.overload)
            return Unclear("refused-before") if value in refused else Reading(value, quantity.unit)
        return Unclear({"range": "range", "bound": "bound"}.get(rule, "no-number"))  # type: ignore[arg-type]
    meant = list(dict.fromkeys(m for node in amounts for m in _meanings(node, quantity)))
    return _narrow(meant, quantity, refused)


def answers(reading: Node, quantity: Quantity) -> bool:
    """Whether a derivation of <reading> gives `quantity` a value, or several to choose from."""
    meaning = _reading([reading], quantity, ())
    return isinstance(meaning, Reading) or meaning.reason == "ambiguous"


@dataclass(frozen=True)
class _Meant:
    number: Number
    unit: str
    approximate: bool


def _meanings(amount: Node, quantity: Quantity) -> Iterator[_Meant]:
    timed = amount.node("minutes")
    unit_node = amount.node("unit")
    unit = _unit(unit_node.tags[0], quantity) if unit_node else "second" if timed else quantity.unit
    if timed:
        worths = minutes(timed)
    elif number := amount.node("number"):
        worths = numbers(number)
    else:  # half an inch
        worths = [Number(fraction(amount.node("fraction") or amount.nodes("bare_part")[0]))]
    sign = amount.node("sign")
    for worth in worths:
        value = -worth.value if sign else worth.value
        yield _Meant(Number(value, worth.form), unit, amount.node("about") is not None)


def _unit(said: str, quantity: Quantity) -> str:
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


def _narrow(meant: list[_Meant], quantity: Quantity, refused: Collection[Value]) -> Reading | Unclear:
    right_kind = [m for m in meant if _same_kind(m.unit, quantity.unit)]
    if not right_kind:
        detail = f"that is {measured_kind(meant[0].unit)}; I asked for {spoken_unit(quantity.unit)}"
        return Unclear("wrong-dimension", detail=detail)
    possible = [m for m in right_kind if _can_be_said(m, quantity)]
    shown = [m for m in possible if _can_be_shown(m, quantity)]
    if not shown:
        return Unclear("out-of-span", detail=f"{possible[0].number.value} is more than that meter shows")
    fresh = [m for m in shown if m.number.value not in refused]
    if not fresh:
        return Unclear("refused-before")
    values = list(dict.fromkeys(str(m.number.value) for m in fresh))
    if len({Decimal(v) for v in values}) > 1:
        return Unclear("ambiguous", tuple(values))
    first = fresh[0]
    return Reading(first.number.value, first.unit, first.approximate)


def _same_kind(said: str, asked: str) -> bool:
    """Per cent and parts per million are both shares, but no meter shows one where the other is asked."""
    return units.same_dimension(said, asked) and (said == "ppm") == (asked == "ppm")


def _can_be_said(m: _Meant, quantity: Quantity) -> bool:
    """A left-out point needs a display with hundredths; minutes and seconds need a clock."""
    match m.number.form:
        case "point left out":
            return m.unit == quantity.unit and quantity.resolution <= Decimal("0.01")
        case "minutes and seconds":
            return m.unit == "second"
    return True


def _can_be_shown(m: _Meant, quantity: Quantity) -> bool:
    value = units.convert(m.number.value, m.unit, quantity.unit)
    return quantity.low <= value <= quantity.high
