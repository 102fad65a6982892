"""What the sound may have been besides what was heard first: numbers, commands, and what has no meaning."""

from decimal import Decimal

import pytest

from assistant.language.confused import CONFUSED
from assistant.language.heard import Alternative, Heard, HeardWord
from assistant.language.meaning import Command, Question, Reading, Unclear


def heard(text: str, **others: float) -> Heard:
    """A text with alternatives, each (its words joined by _) so much worse."""
    words = tuple(HeardWord(word, at * 0.3, at * 0.3 + 0.2) for at, word in enumerate(text.split()))
    close = sorted(others.items(), key=lambda other: other[1])
    return Heard(text, words, tuple(Alternative(name.replace("_", " "), worse) for name, worse in close))


@pytest.mark.parametrize(
    ("command", "number", "value"),
    [("no", "nine", 9), ("hold", "four", 4), ("slower", "seven", 7), ("next", "six", 6)],
)
def test_a_command_with_a_number_close_by_is_not_acted_on_where_a_reading_is_asked(
    language, ask, command, number, value
):
    question = ask("igniter-resistance")
    weighed = language.weighed(heard(command, **{number: 0.8}), question)
    meaning = language.meaning(weighed, question)
    assert meaning == Reading(Decimal(value), "ohm")
    assert Command(command) in language.rivals(weighed, meaning, question)  # so that it is asked


def test_a_command_with_no_number_near_is_the_command(language, ask):
    question = ask("igniter-resistance")
    far = heard("no", nine=9.0, note=0.5)
    assert language.meaning(language.weighed(far, question), question) == Command("no")


def test_a_command_where_no_reading_is_asked_is_the_command(language):
    question = Question("flame")
    close = heard("no", nine=0.2)
    assert language.meaning(language.weighed(close, question), question) == Command("no")


@pytest.mark.parametrize("words", ["stop", "stop now", "i smell gas", "gas leak"])
def test_stop_and_the_emergency_words_are_never_put_off(language, ask, words):
    question = ask("igniter-resistance")
    close = heard(words, two=0.1)
    assert language.weighed(close, question) == close
    assert isinstance(language.meaning(close, question), Command)


def test_the_first_close_text_that_is_a_command_is_proposed(language, ask):
    near = heard("what is over [unk]", what_is_over_limit=0.4, what_is_the_limit=1.2)
    assert language.meaning(near, ask("line-voltage")) == Unclear("not-understood", near=Command("limit"))


def test_yes_is_never_proposed(language):
    assert language.meaning(heard("guess", yes=0.1), Question("flame")) == Unclear("not-understood")


@pytest.mark.parametrize(
    ("words", "reading", "value"),
    [("three point seven off", "three point seven amps", "3.7"), ("point four go", "point four", "0.4")],
)
def test_words_of_a_number_that_make_no_answer_are_asked_as_the_reading_that_is_close(
    language, ask, words, reading, value
):
    question = ask("igniter-current")
    weighed = language.weighed(heard(words, **{reading.replace(" ", "_"): 1.2}), question)
    meaning = language.meaning(weighed, question)
    assert meaning == Reading(Decimal(value), "ampere")
    assert language.rivals(weighed, meaning, question) == [Unclear("not-understood", detail="faint")]  # so it is asked


@pytest.mark.parametrize(
    "words",
    [
        heard("one [unk]", one_twenty=0.1),  # speech that is no word is no part of a number
        heard("flame", two=0.1),  # nor is a word that no number holds
        heard("one twenty go", one_twenty=5.0),  # and this is too far
    ],
)
def test_no_number_is_asked_for_other_words(language, ask, words):
    question = ask("line-voltage")
    assert language.meaning(language.weighed(words, question), question) == Unclear("not-understood")


def test_speech_without_a_meaning_that_is_as_close_makes_a_reading_faint(language, ask):
    question = ask("line-voltage")
    close, far = heard("one twenty", banana=0.2), heard("one twenty", banana=2.0)
    meaning = language.understand("one twenty", question)
    assert language.rivals(close, meaning, question) == [Unclear("not-understood", detail="faint")]
    assert language.rivals(far, meaning, question) == []


@pytest.mark.parametrize("words", ["oh", "oh oh", "oh ohm", "oh ohms"])
def test_open_is_never_zero(language, ask, words):
    question = ask("igniter-resistance")
    meaning = language.understand(words, question)
    assert meaning == Reading(Decimal(0), "ohm")
    assert language.confirm(Heard(words), meaning, question) == "confusable"


@pytest.mark.parametrize(("name", "words"), [("igniter-resistance", "zero ohms"), ("line-voltage", "oh")])
def test_a_zero_that_cannot_be_an_open_one_is_taken(language, ask, name, words):
    question = ask(name)
    assert language.confirm(Heard(words), language.understand(words, question), question) is None


def test_a_pair_of_sounds_asks_only_where_the_recognizer_heard_the_other_too(language, ask):
    question = ask("line-voltage")
    meaning = language.understand("one sixty volts", question)
    plain, close = heard("one sixty volts", one_sixty_volt=0.5), heard("one sixty volts", one_sixteen_volt=3.9)
    assert language.confirm(plain, meaning, question) is None
    assert language.confirm(close, meaning, question) == "confusable"
    assert language.confirm(Heard("one sixty volts"), meaning, question) == "confusable"  # typed: nothing is known


def test_the_table_of_confused_words_is_of_numbers_and_measured(language):
    for pair in CONFUSED:
        assert {pair.one, pair.other} <= set(language.grammar.words("number"))
        assert 0 < pair.times < pair.said
