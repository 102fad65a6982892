"""Words and their meaning, as a table: the words, the question, the value or why there is none."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.files import library
from assistant.language.heard import Alternative, Heard, HeardWord
from assistant.language.meaning import Command, Question, Reading, Readings, Unclear
from assistant.language.utterance import normalise
from assistant.trade.quantities import Overload

READINGS = [
    ("igniter-resistance", "one twenty ohms", "120", "ohm"),
    ("igniter-resistance", "fifteen", "15", "ohm"),
    ("igniter-resistance", "sixty two point four", "62.4", "ohm"),
    ("igniter-resistance", "one hundred and twenty and a half", "120.5", "ohm"),
    ("igniter-resistance", "four point seven k ohms", "4700", "ohm"),
    ("igniter-resistance", "four point seven kilohms", "4.7", "kiloohm"),
    ("igniter-resistance", "four k seven", "4700", "ohm"),
    ("flame-signal", "point oh five", "0.05", "microampere"),
    ("flame-signal", "two and a half microamps", "2.5", "microampere"),
    ("flame-signal", "one point two mike", "1.2", "microampere"),
    ("flame-signal", "two point oh", "2.0", "microampere"),
    ("manifold-pressure", "three and a half inches", "3.5", "inH2O"),
    ("manifold-pressure", "three and three quarters", "3.75", "inH2O"),
    ("manifold-pressure", "three point five zero", "3.50", "inH2O"),
    ("manifold-pressure", "half an inch", "0.5", "inH2O"),
    ("manifold-pressure", "point eight seven kilopascals", "0.87", "kilopascal"),
    ("inlet-pressure", "half a pound", "0.5", "psi"),
    ("draft", "minus point oh two", "-0.02", "inH2O"),
    ("draft", "negative four pascals", "-4", "pascal"),
    ("draft", "point double oh two", "0.002", "inH2O"),
    ("static-pressure", "eight tenths", "0.8", "inH2O"),
    ("line-voltage", "one twenty", "120", "volt"),
    ("line-voltage", "one two zero", "120", "volt"),
    ("line-voltage", "one oh five", "105", "volt"),
    ("line-voltage", "a hundred and twenty", "120", "volt"),
    ("line-voltage", "one eighteen point five volts", "118.5", "volt"),
    ("line-voltage", "one niner fife", "195", "volt"),
    ("flue-co", "twenty four hundred", "2400", "ppm"),
    ("flue-co", "ten thirty", "1030", "ppm"),
    ("flue-co", "nine p p m", "9", "ppm"),
    ("meter-dial-seconds", "one minute five", "65", "second"),
    ("meter-dial-seconds", "two and a quarter minutes", "135", "second"),
    ("temperature-rise", "fifty two degrees", "52", "delta_degF"),
    ("temperature-rise", "thirty celsius", "30", "delta_degC"),
    ("supply-temperature", "one twenty degrees", "120", "degF"),
]

REFUSALS = [
    ("manifold-pressure", "three fifty", "ambiguous", ("350", "3.50")),
    ("manifold-pressure", "three five", "ambiguous", ("35", "3.5")),
    ("flame-signal", "oh five", "ambiguous", ("5", "0.5", "0.05")),
    ("meter-dial-seconds", "one twenty", "ambiguous", ("120", "80")),
    ("ground-resistance", "one twenty volts", "wrong-dimension", ()),
    ("flue-co", "six percent", "wrong-dimension", ()),
    ("flue-oxygen", "four hundred parts", "wrong-dimension", ()),
    ("flue-oxygen", "five tries", "wrong-dimension", ()),
    ("ignition-trials", "ninety eight percent", "wrong-dimension", ()),
    ("line-voltage", "nine hundred", "out-of-span", ()),
    ("line-voltage", "minus five", "out-of-span", ()),
    ("manifold-pressure", "ten five", "ambiguous", ("105", "10.5")),
    ("line-voltage", "rising", "trend", ()),
    ("line-voltage", "below", "bound", ()),
    ("line-voltage", "over one twenty", "bound", ()),
    ("line-voltage", "one twenty over", "bound", ()),
    ("line-voltage", "nothing", "no-number", ()),
    ("ground-resistance", "dead short", "no-number", ()),
    ("igniter-resistance", "banana", "not-understood", ()),
    ("igniter-resistance", "one [unk] twenty", "not-understood", ()),
    ("igniter-resistance", "twenty one hundred hundred", "not-understood", ()),
    ("igniter-resistance", "", "silence", ()),
]

COMMANDS = [
    ("say again", "say-again"),
    ("negative", "no"),
    ("affirm", "yes"),
    ("done", "next"),
    ("i smell gas", "emergency"),
    ("well [unk] i think i smell gas here", "emergency"),
    ("stand by", "hold"),
    ("take a note the flame is yellow", "note"),
    ("what is the limit", "limit"),
    ("area clear", "area-clear"),
    ("strike that", "correction"),
]


@pytest.mark.parametrize(("name", "words", "value", "unit"), READINGS)
def test_a_reading_keeps_its_digits_as_said(language, ask, name, words, value, unit):
    meaning = language.understand(words, ask(name))
    assert isinstance(meaning, Reading), meaning
    assert (str(meaning.value), meaning.unit) == (value, unit)


@pytest.mark.parametrize(("name", "words", "reason", "choices"), REFUSALS)
def test_a_refusal_has_its_reason(language, ask, name, words, reason, choices):
    meaning = language.understand(words, ask(name))
    assert isinstance(meaning, Unclear), meaning
    assert (meaning.reason, meaning.choices) == (reason, choices)


@pytest.mark.parametrize(("words", "name"), COMMANDS)
def test_commands_are_commands_at_every_question(language, shelf, words, name):
    for quantity in shelf.quantities.values():
        meaning = language.understand(words, Question(quantity.name, quantity))
        assert isinstance(meaning, Command)
        assert meaning.name == name
    assert language.understand(words, Question("told")).name == name


def test_overload_is_open_on_ohms_and_over_range_elsewhere(language, ask):
    assert language.understand("O L", ask("igniter-resistance")) == Reading(Overload.OPEN, "ohm")
    assert language.understand("O L", ask("line-voltage")) == Reading(Overload.OVER_RANGE, "volt")


def test_a_reading_where_none_is_asked_is_not_taken(language):
    assert language.understand("one twenty volts", Question("told")) == Unclear(
        "not-asked", detail="no reading is asked here"
    )


def test_a_refused_value_is_left_out_of_the_next_try(language, ask):
    question = ask("manifold-pressure")
    assert language.understand("three fifty", question, refused=[Decimal(350)]) == Reading(Decimal("3.50"), "inH2O")
    again = language.understand("three point five", question, refused=[Decimal("3.50")])
    assert again == Unclear("refused-before")


def test_both_ends_of_a_range_are_kept(language, ask):
    question = ask("flame-signal")
    meaning = language.understand("between two and three microamps", question)
    assert meaning == Reading(Decimal(2), "microampere", upper=Decimal(3), steady=False)
    assert language.confirm(Heard("between two and three microamps"), meaning, question) == "always"


def test_a_reading_may_name_its_quantity(language, ask):
    rise = language.understand("rise fifty two degrees", ask("temperature-rise"))
    assert rise == Reading(Decimal(52), "delta_degF")
    assert language.understand("sixty five degrees rise", ask("temperature-rise")) == Reading(Decimal(65), "delta_degF")


def test_several_readings_in_one_breath_go_each_to_its_quantity(language, ask):
    words = "hot to neutral one twenty one neutral to ground point four"
    assert language.understand(words, ask("draft")) == Readings(
        (
            ("line-voltage", Reading(Decimal(121), "volt")),
            ("neutral-to-ground", Reading(Decimal("0.4"), "volt")),
        )
    )


@pytest.mark.parametrize(
    ("words", "near"),
    [
        ("what is the limits", "limit"),
        ("take a not", "note"),
        ("one twenty and", ""),
        ("the area is clean", ""),  # nobody is led back in by a guess
        ("banana", ""),
    ],
)
def test_only_commands_are_proposed(language, ask, words, near):
    meaning = language.understand(words, ask("line-voltage"))
    assert isinstance(meaning, Unclear)
    assert (meaning.near.name if meaning.near else "") == near


def test_why_shows_what_was_considered_and_why_it_went(language, ask):
    found = {str(c.reading.value): c.gone for c in language.why("one twenty", ask("line-voltage"))}
    assert found["120"] == ""
    assert "hundredths" in found["1.20"]
    assert "times" in found["80"]


def test_approximate_is_marked(language, ask):
    meaning = language.understand("about fifty", ask("line-voltage"))
    assert isinstance(meaning, Reading)
    assert meaning.approximate


@pytest.mark.parametrize(
    ("name", "words", "confirm"),
    [
        ("igniter-resistance", "fifteen", "confusable"),
        ("igniter-resistance", "fifty", "confusable"),
        ("igniter-resistance", "one eighteen", "confusable"),
        ("igniter-resistance", "fifty two", None),  # "fifteen two" is no number
        ("igniter-resistance", "one twenty ohms", None),
        ("flame-signal", "point oh five", "always"),
        ("flue-co", "fifteen", "always"),
        ("igniter-resistance", "five", "confusable"),  # nine
        ("igniter-resistance", "one oh five", None),
        ("igniter-resistance", "eleven ohms", "confusable"),
        ("igniter-resistance", "banana", None),
        ("igniter-resistance", "say again", None),
    ],
)
def test_what_needs_a_yes_for_its_words(language, ask, name, words, confirm):
    question = ask(name)
    assert language.confirm(Heard(words), language.understand(words, question), question) == confirm


def test_a_close_alternative_with_another_value_is_a_rival(language, ask):
    question = ask("line-voltage")
    words = tuple(HeardWord(w, 0.0, 0.3, 1.0) for w in ("one", "twenty"))
    far = Heard("one twenty", words, (Alternative("one twenty nine", 9.0), Alternative("one twenty volts", 0.5)))
    near = Heard("one twenty", words, (Alternative("one twenty nine", 1.0),))
    meaning = language.understand("one twenty", question)
    assert language.rivals(far, meaning, question) == []
    assert language.rivals(near, meaning, question) == [Reading(Decimal(129), "volt")]


def test_a_faint_word_leaves_room_for_another(language, ask):
    question = ask("line-voltage")
    heard = Heard("one twenty", (HeardWord("one", 0, 0.2, 1.0), HeardWord("twenty", 0.2, 0.5, 0.4)))
    assert language.rivals(heard, language.understand(heard.text, question), question)


@pytest.mark.parametrize(
    ("words", "can_grow"),
    [
        ("one hundred", True),
        ("one twenty", True),
        ("yes", False),
        ("stop", False),  # "stop now" is the same command
        ("note", None),  # what follows belongs to it
        ("one hundred and", None),
        ("banana", None),
        ("one twenty ohms", False),
        ("three parts", False),
        ("one minute", True),
    ],
)
def test_whether_an_answer_can_still_grow(language, ask, words, can_grow):
    assert language.can_grow(words, ask("igniter-resistance")) is can_grow


@pytest.mark.parametrize(
    ("question", "words", "can_grow"),
    [("reason", "no access", True), ("reason", "no", False), ("reason", "because the", None), ("event", "flame", True)],
)
def test_an_answer_in_words_of_its_own_can_always_grow(language, question, words, can_grow):
    assert language.can_grow(words, Question(question)) is can_grow


def test_normalise_joins_spelled_units_and_drops_punctuation():
    assert normalise("Twenty-four P.P.M!") == ("twenty", "four", "ppm")


WORDS = sorted({w for rule in ("reading", "yes", "skip") for w in library().grammar.words(rule)} | {"[unk]", "gas"})


@given(st.lists(st.sampled_from(WORDS), max_size=8), st.sampled_from(sorted(library().quantities)))
def test_any_words_give_a_meaning_and_never_a_crash(words, name):
    language = library().language
    quantity = library().quantities[name]
    meaning = language.understand(" ".join(words), Question(name, quantity))
    assert isinstance(meaning, Reading | Readings | Command | Unclear)
    if isinstance(meaning, Reading) and "[unk]" in words:
        pytest.fail("a reading was taken from words that were not all heard")
    if isinstance(meaning, Unclear) and meaning.reason == "ambiguous":
        assert len({Decimal(choice) for choice in meaning.choices}) > 1
