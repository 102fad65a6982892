"""Spoken whole numbers against an independent reader of English numbers, where it is able (text2num).

It is honest about cardinals and leaves the trade's pairs, signs and "oh" alone, so it checks those forms only.
"""

from __future__ import annotations

from decimal import Decimal
from random import Random

import pytest
from text_to_num import alpha2digit

from assistant.language.meaning import Question, Reading
from assistant.trade.quantities import Quantity

ANY = Quantity(name="any", spoken="any", unit="ohm", low=Decimal(0), high=Decimal(10) ** 9, resolution=Decimal(1))


def cardinals(grammar, count: int) -> list[str]:
    draw = Random(11).random
    found: dict[str, None] = {}
    while len(found) < count:
        words = grammar.sample("whole", draw).words
        if not {"oh", "nought", "a", "tree", "fife", "niner"} & set(words):
            found[" ".join(words)] = None
    return list(found)


def read_by_text2num(words: str) -> str:
    return alpha2digit(words, "en", threshold=0)


def test_cardinals_are_read_as_text2num_reads_them(language):
    agreed = 0
    for words in cardinals(language.grammar, 400):
        theirs = read_by_text2num(words)
        if not theirs.isdigit():  # "twenty four hundred" is not a form that it takes
            continue
        ours = language.understand(words, Question("any", ANY))
        assert isinstance(ours, Reading), words
        assert ours.value == Decimal(theirs), words
        agreed += 1
    assert agreed > 200


@pytest.mark.parametrize(
    ("words", "value"),
    [
        ("one hundred and eighteen point five", "118.5"),
        ("two point five five", "2.55"),
        ("twenty six point eight", "26.8"),
        ("zero point four", "0.4"),
    ],
)
def test_decimals_are_read_as_text2num_reads_them(language, words, value):
    assert read_by_text2num(words) == value
    meaning = language.understand(words, Question("any", ANY.model_copy(update={"resolution": Decimal("0.01")})))
    assert isinstance(meaning, Reading)
    assert str(meaning.value) == value
