"""The phrases that a recognizer is told to expect at a question, sampled from the grammars.

A recognizer that takes a phrase list reads it as a text to learn word pairs from (SPEECH V1), so the list is
a corpus: sentences as often as people say them. What it then hears is still parsed strictly.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from itertools import islice
from random import Random

from assistant.language.considering import unit_of
from assistant.language.jsgf import Node
from assistant.language.meaning import Question, gives_value
from assistant.language.utterance import Language
from assistant.trade import units

SEED = 7  # any fixed number: the same question always gives the same list, so a record can name its hash
READINGS = 1200  # enough that every word pair a number can hold is seen
TRIES = 20 * READINGS  # what no instrument for the question shows is drawn again
NAMED = 60  # sentences that name the quantity asked: few people say it
LISTED = 600  # that name any, where a helper reads a list
WITH_UNIT = 25  # numbers with each unit that answers the question: "nine p p m" was heard as "nine [unk]"
UNIT_ALONE = 2  # times each of these is said without a number
COMMANDS = 12  # sentences for each command, besides each of its forms once
# These answer nearly every step, so the recognizer expects them five times as much: "no" was heard as "note"; and so
# with a question's own words: "now" was heard as "no".
ANSWERS = 60
OFTEN = dict.fromkeys(("yes", "no", "next", "understood"), ANSWERS)

# Where no reading is asked, yes and no are most of what is said: "no" was heard as "note" in noise. Chosen on
# recordings of people that docs/hearing.md does not measure with; of 200 pieces of other talk none became yes or no.
YES_OR_NO = dict.fromkeys(("yes", "no"), 4 * ANSWERS)

# Times that commands are expected less where a reading is asked, for most answers are one: of readings 14 instead of 22
# were taken for commands (bench-hearing, every fourth clip), and commands were heard as well as before.
RARER = 4


@dataclass(frozen=True)
class Expected:
    """What a recognizer is told of a question; drawn when first needed."""

    language: Language
    question: Question
    draw: Callable[[Language, Question], list[str]] | None = None  # gives what `phrases` would; None: it does

    @cached_property
    def phrases(self) -> list[str]:
        """See `phrases`."""
        return (self.draw or phrases)(self.language, self.question)


def phrases(language: Language, question: Question) -> list[str]:
    """Sentences that answer `question`, repeated as often as people say them, and decoys; in a fixed order."""
    draw = Random(SEED).random
    sample = language.grammar.sample
    public = language.grammar.public
    rules = [*public["commands"], *public["decoys"], *language.own_rules(question)]
    forms = [sentence for rule in rules for sentence in language.grammar.sentences(rule)]
    each = {**dict.fromkeys(rules, COMMANDS), **OFTEN, **dict.fromkeys(language.own_rules(question), ANSWERS)}
    if question.quantity:
        each = {rule: -(-count // RARER) for rule, count in each.items()}
    else:
        each |= YES_OR_NO
    said = [sample(rule, draw) for rule in rules for _ in range(each[rule])]
    if question.quantity:
        drawn = (sample("reading", draw) for _ in range(TRIES))
        said += islice((r for r in drawn if language.answers(r, question.quantity)), READINGS)
        named = (sample("entry", draw) for _ in range(TRIES))
        named = (e for e in named if _may_be_named(language, e, question))
        said += islice(named, LISTED if question.names else NAMED)
    units = list(_units(language, question, draw)) if question.quantity else []
    return [*forms, *(" ".join(node.words) for node in said), *units]


def own_units(language: Language, question: Question) -> list[str]:
    """Every form of the units that a reading may have that answers the question."""
    asked = question.quantity
    assert asked is not None

    def may_have(unit: str) -> bool:
        same = units.UNITS[unit].measures == units.UNITS[asked.unit].measures
        return same and asked.low <= units.convert(Decimal(1), unit, asked.unit) <= asked.high

    return [form for form, unit in language.units.items() if may_have(unit_of(unit, asked))]


def _units(language: Language, question: Question, draw: Callable[[], float]) -> Iterator[str]:
    """Each unit that answers the question, after numbers that its meter shows and alone."""
    for unit in own_units(language, question):
        yield from [unit] * UNIT_ALONE
        drawn = (" ".join([*language.grammar.sample("number", draw).words, unit]) for _ in range(TRIES))
        yield from islice((said for said in drawn if gives_value(language.understand(said, question))), WITH_UNIT)


def _may_be_named(language: Language, entry: Node, question: Question) -> bool:
    """Whether a named reading may be said: its quantity is asked, or any is, and its meter can show it."""
    quantity = language.quantities[entry.nodes("name")[0].tags[0]]
    asked = question.quantity is not None and question.quantity.name == quantity.name
    return (question.names or asked) and language.answers(entry, quantity)
