"""The words that people say, as a table: what is said, at which question, and what it means."""

from __future__ import annotations

from decimal import Decimal

import pytest

from assistant.language.heard import Heard
from assistant.language.meaning import Command, Meaning, Named, Question, Reading, Readings, Unclear
from assistant.trade.quantities import Overload


def volts(value: str, **more: bool) -> Reading:
    return Reading(Decimal(value), "volt", **more)


ZERO = Reading(Decimal(0), "microampere")
BELOW = Reading(Decimal(1), "ohm", below=True)
OPEN = Reading(Overload.OPEN, "ohm")
BOUNCING = Reading(Decimal("2.1"), "microampere", approximate=True, steady=False)

SYMPTOMS = [
    ("symptom co alarm", "co alarm"),
    ("symptom flame rollout", "rollout"),
    ("symptom short cycling", "short cycles"),
    ("symptom locks out", "lock out"),
    ("symptom pilot won't stay lit", "pilot drops out"),
    ("symptom comes and goes", "comes and goes"),
]
CRIES = [
    ("CO alarm", "carbon monoxide"),
    ("C O alarm", "carbon monoxide"),
    ("flame rollout", "fire"),
    ("i have flame rollout", "fire"),
    ("I smell propane", "gas"),
    ("smells like gas", "gas"),
    ("there's a leak", "gas"),
    ("it's burning", "fire"),
    ("get out", "unknown"),
]
COMMANDS = [
    ("what's the limit", "limit"),
    ("hang on", "hold"),
    ("pause", "hold"),
    ("what was the last reading", "last-reading"),
    ("what's next", "what-next"),
    ("help", "help"),
    ("what can I say", "help"),
]
READINGS = [
    ("line-voltage", "I got one twenty", volts("120")),
    ("line-voltage", "it's one twenty", volts("120")),
    ("line-voltage", "it\u2019s one twenty", volts("120")),
    ("line-voltage", "it reads one twenty", volts("120")),
    ("line-voltage", "looks like one twenty", volts("120", approximate=True)),
    ("line-voltage", "it looks like one twenty", volts("120", approximate=True)),
    ("line-voltage", "I'm seeing one twenty volts", volts("120")),
    ("line-voltage", "call it one twenty", volts("120", approximate=True)),
    ("line-voltage", "okay call it one twenty", volts("120", approximate=True)),
    ("line-voltage", "sitting at one twenty", volts("120")),
    ("line-voltage", "reading of one twenty", volts("120")),
    ("line-voltage", "uh one twenty", volts("120")),
    ("line-voltage", "um one twenty", volts("120")),
    ("line-voltage", "okay one twenty", volts("120")),
    ("line-voltage", "uh i got about one twenty", volts("120", approximate=True)),
    ("flame-signal", "bouncing around two point one", BOUNCING),
    ("line-voltage", "one twenty, no, one thirty", volts("130", mended=True)),
    ("line-voltage", "it's one twenty, correction, one thirty volts", volts("130", mended=True)),
    ("flame-signal", "two point one mics", Reading(Decimal("2.1"), "microampere")),
    ("flame-signal", "no signal", ZERO),
    ("line-voltage", "no signal", Unclear("no-number")),
    ("flame-signal", "minus two point one", Unclear("reversed")),
    ("manifold-pressure", "three and a half water column", Reading(Decimal("3.5"), "inH2O")),
    ("manifold-pressure", "three point five W C", Reading(Decimal("3.5"), "inH2O")),
    ("manifold-pressure", "three point five WC", Reading(Decimal("3.5"), "inH2O")),
    ("rod-to-ground", "point oh three meg", Reading(Decimal("0.03"), "megaohm")),
    ("rod-to-ground", "twenty meg", Reading(Decimal(20), "megaohm")),
    ("igniter-resistance", "it's open", OPEN),
    ("igniter-resistance", "reads open", OPEN),
    ("igniter-resistance", "no continuity", OPEN),
    ("line-voltage", "no continuity", Unclear("no-number")),
    ("limit-switch-resistance", "closed", BELOW),
    ("limit-switch-resistance", "good continuity", BELOW),
    ("ground-resistance", "less than an ohm", BELOW),
    ("ground-resistance", "it's less than one ohm", BELOW),
    ("igniter-resistance", "closed", Unclear("no-number")),
    ("igniter-resistance", "less than an ohm", Unclear("no-number")),
    ("line-voltage", "one twenty two A C", volts("122")),
    ("line-voltage", "one twenty two volts AC", volts("122")),
    ("temperature-rise", "rise of fifty five", Reading(Decimal(55), "delta_degF")),
    ("line-voltage", "hundred and twenty", volts("120")),
    ("ignition-trials", "three times", Reading(Decimal(3), "dimensionless")),
]
CHECKS = [
    ("all dead", "all dead"),
    ("no bubbles", "no bubbles"),
    ("no leaks", "no leak"),
    ("no spillage", "no spillage"),
    ("reversed", "reversed"),
]
DONE = ["okay", "okay done", "got it", "all done", "all set"]


@pytest.mark.parametrize(("words", "name"), SYMPTOMS)
def test_a_symptom(language, shelf, words, name):
    assert language.understand(words, Question("complaint")) == Command("symptom", name)
    assert name in shelf.faults.symptoms


@pytest.mark.parametrize(("words", "kind"), CRIES)
def test_an_emergency_at_once_and_anywhere(language, ask, words, kind):
    for question in (ask("line-voltage"), Question("told"), Question("noting")):
        assert language.understand(words, question) == Command("emergency", kind)
    assert language.urgent(words) == "emergency"


@pytest.mark.parametrize(("words", "name"), COMMANDS)
def test_a_command_anywhere(language, shelf, words, name):
    for question in (Question("told"), *(Question(q.name, q) for q in shelf.quantities.values())):
        assert language.understand(words, question) == Command(name)


@pytest.mark.parametrize(("name", "words", "meaning"), READINGS)
def test_a_reading(language, ask, name, words, meaning):
    assert language.understand(words, ask(name)) == meaning


def test_a_number_cut_short_by_its_hundreds_is_asked(language, ask):
    for words, confirm in (("hundred and twenty", "confusable"), ("a hundred and twenty", None)):
        assert (
            language.confirm(Heard(words), language.understand(words, ask("line-voltage")), ask("line-voltage"))
            == confirm
        )


@pytest.mark.parametrize("words", ["one twenty, no, one thirty", "bouncing around one twenty"])
def test_what_is_not_one_steady_value_is_asked(language, ask, words):
    question = ask("line-voltage")
    assert language.confirm(Heard(words), language.understand(words, question), question) == "always"


@pytest.mark.parametrize("words", ["no signal", "two point one mics"])
def test_a_flame_signal_is_always_asked(language, ask, words):
    question = ask("flame-signal")
    assert language.confirm(Heard(words), language.understand(words, question), question) == "always"


@pytest.mark.parametrize(("words", "tag"), CHECKS)
def test_what_a_check_finds(language, words, tag):
    assert language.understand(words, Question("look", words=("seen",))) == Named("seen", tag)
    assert not isinstance(language.understand(words, Question("look")), Named | Command)


@pytest.mark.parametrize("words", DONE)
def test_done_in_more_words(language, ask, words):
    assert language.understand(words, Question("refit", words=("finished",))) == Named("finished", "done")
    for question in (Question("look"), ask("line-voltage")):
        assert isinstance(language.understand(words, question), Unclear)


@pytest.mark.parametrize(("words", "meaning"), [("now", Named("now", "now")), ("flame", Named("happened", "flame"))])
def test_a_mark_in_other_words(language, words, meaning):
    assert language.understand(words, Question("sequence", words=("now", "happened"))) == meaning
    assert language.understand(words, Question("look")) == Unclear("not-understood")


def test_no_note(language):
    assert language.understand("nope nothing", Question("noting")) == Command("no")


RETURN = ("return-temperature", Reading(Decimal(70), "degF"))
SUPPLY = ("supply-temperature", Reading(Decimal(125), "degF"))
FLUE = ("flue-temperature", Reading(Decimal(380), "degF"))
LOST = Unclear("not-understood")
LISTS: list[tuple[str, Meaning]] = [
    ("return air seventy supply air one twenty five flue temperature three eighty", Readings((RETURN, SUPPLY, FLUE))),
    ("okay return air is seventy supply air of one twenty five", Readings((RETURN, SUPPLY))),
    (
        "return air seventy supply air banana flue temperature three eighty",
        Readings((RETURN, ("supply-temperature", LOST), FLUE)),
    ),
    ("return air seventy supply air one twenty [unk] five", Readings((RETURN, ("supply-temperature", LOST)))),
    ("return air banana supply air [unk]", LOST),  # nothing of it was understood
    ("banana one twenty five supply air seventy return air", LOST),  # the values may stand before the names
    ("return air one twenty five banana supply air", LOST),
]


@pytest.mark.parametrize(("words", "meaning"), LISTS)
def test_a_list_loses_only_the_value_that_was_not_understood(language, ask, words, meaning):
    assert language.understand(words, ask("draft")) == meaning


@pytest.mark.parametrize(
    ("words", "can_grow"), [("it's", None), ("it's one twenty ohms", False), ("okay", None), ("one twenty no", None)]
)
def test_a_lead_in_waits_for_its_value(language, ask, words, can_grow):
    assert language.can_grow(words, ask("igniter-resistance")) is can_grow


def test_what_the_steps_say_their_checks_mean_can_be_said(shelf):
    asked = Question("", words=("seen",))
    tags = {shelf.language.understand(words, asked).of for words in shelf.grammar.sentences("seen")}
    means = [step.means for procedure in shelf.procedures.values() for step in procedure.steps if step.means]
    assert {word for each in means for word in each} == tags


@pytest.mark.parametrize(
    ("step", "words", "answer"),
    [
        ("prove-dead", "all dead", "yes"),
        ("dead-again", "all dead", "yes"),
        ("taps-tight", "no bubbles", "no"),
        ("leak-check", "no leak", "no"),
        ("vent", "no spillage", "no"),
        ("polarity", "reversed", "no"),
    ],
)
def test_a_check_means_by_its_words_what_it_asks(shelf, step, words, answer):
    steps = [s for procedure in shelf.procedures.values() for s in procedure.steps if s.id == step]
    assert steps
    assert {s.means[words] for s in steps} == {answer}
    assert all((answer in s.bad) == (words == "reversed") for s in steps)


def test_an_article_at_the_end_is_a_breath(language, ask):
    assert language.understand("yes a", Question("look")) == Command("yes")
    assert language.understand("okay the", Question("refit", words=("finished",))) == Named("finished", "done")
    assert language.urgent("stop a") == "stop"
    assert isinstance(language.understand("the", Question("look")), Unclear)
    assert isinstance(language.understand("three and a", ask("line-voltage")), Unclear)
