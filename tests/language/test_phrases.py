"""The phrases a recognizer is told to expect."""

from assistant.language.meaning import Command, Named, Question, Reading, Unclear
from assistant.language.phrases import WITH_UNIT, own_units, phrases


def test_they_are_the_same_every_time(language, ask):
    assert phrases(language, ask("draft")) == phrases(language, ask("draft"))


def test_each_is_an_answer_to_its_question_or_a_decoy(language, ask):
    question = ask("flue-oxygen")
    units = own_units(language, question)  # said alone one is no answer, but it is heard
    for phrase in set(phrases(language, question)) - set(units):
        if language.grammar.parse("decoy", phrase.split()):
            assert language.understand(phrase, question) == Unclear("not-understood")
            continue
        meaning = language.understand(phrase, question)
        assert isinstance(meaning, Reading | Command) or (isinstance(meaning, Unclear) and meaning.choices), phrase


def test_without_a_quantity_no_number_is_expected_but_that_of_a_timer_or_a_stopwatch(language):
    said = phrases(language, Question("told"))
    with_number = [phrase for phrase in said if {"twenty", "three", "ninety"} & set(phrase.split())]
    assert with_number
    assert all({"timer", "mark"} & set(phrase.split()) for phrase in with_number)
    assert "yes" in said


def test_the_reason_of_a_skip_has_its_own_words(language):
    assert "no access" in phrases(language, Question("reason"))
    assert "no access" not in phrases(language, Question("told"))
    assert language.understand("no access", Question("reason")) == Named("reason", "no access")
    assert language.understand("banana", Question("reason")) == Unclear("not-understood")


def test_each_unit_that_answers_has_its_share_with_and_without_a_number(language, ask):
    for name in ("ambient-co", "manifold-pressure", "igniter-resistance", "flue-temperature"):
        said = phrases(language, ask(name))
        for unit in own_units(language, ask(name)):
            assert unit in said
            assert sum(phrase.endswith(f" {unit}") for phrase in said) >= WITH_UNIT, unit


def test_a_unit_of_something_else_is_none_of_them(language, ask):
    assert "ppm" in own_units(language, ask("ambient-co"))
    assert "btu" not in own_units(language, ask("manifold-pressure"))
    assert "percent" not in own_units(language, ask("ambient-co"))


def test_what_is_parsed_and_never_expected_is_in_no_list(language, ask):
    """ "No" and "done" of people were heard as "down", which stood in "shut down" and "going down"."""
    for question in (Question("told"), ask("line-voltage"), Question("", ask("line-voltage").quantity, names=True)):
        assert not [phrase for phrase in phrases(language, question) if "down" in phrase.split()]
    assert language.understand("shut down", Question("told")) == Command("shut-down")
    assert language.understand("going down", ask("line-voltage")).reason == "trend"
