"""What people say in their own words: what it does in a visit, and what the record keeps of it."""

from __future__ import annotations

import pytest
from simulated import Technician

from assistant.dialogue.state import Phase
from assistant.dialogue.steps import present
from assistant.files import library
from assistant.language.meaning import Question
from assistant.language.phrases import phrases

PROCEDURE = library().procedures["hot-surface-natural-gas-commissioning"]


def at(step: str) -> Technician:
    technician = Technician(PROCEDURE)
    technician.go_to(step)
    technician.notes.clear()
    return technician


def reading_of(talk: Technician) -> dict:
    return talk.note("reading")


def test_a_lead_in_changes_nothing_of_the_reading():
    talk = at("igniter-cold")
    talk.say("uh it's sixty two ohms")
    assert (reading_of(talk)["value"], reading_of(talk)["approximate"]) == ("62", False)


def test_a_value_that_bounces_is_asked_and_is_not_steady_in_the_record():
    talk = at("flame")
    assert "about two, point, one microamps, not steady. Is that right?" in talk.hear("bouncing around two point one")
    talk.say("yes")
    kept = reading_of(talk)
    assert (kept["value"], kept["approximate"], kept["steady"], "upper" in kept) == ("2.1", True, False, False)


def test_of_a_correction_in_one_breath_the_last_value_is_asked():
    talk = at("igniter-cold")
    assert "I heard six, two ohms. Is that right?" in talk.hear("fifty, no, sixty two")
    assert talk.note("heard-reading")["asked_because"] == "always"
    talk.say("yes")
    assert reading_of(talk)["value"] == "62"


def test_no_flame_signal_is_asked_as_zero():
    talk = at("flame")
    assert "I heard zero microamps. Is that right?" in talk.hear("no signal")


def test_a_flame_signal_below_zero_is_not_taken_and_the_leads_are_asked():
    talk = at("flame")
    assert "Are the leads reversed?" in talk.hear("minus two point one")
    assert talk.note("unclear")["reason"] == "reversed"
    assert "reading" not in [note.kind for note in talk.notes]


def test_a_closed_switch_is_below_one_ohm_in_the_talk_and_in_the_record():
    talk = at("limit-switch")
    assert "below one ohm" in talk.hear("closed")
    kept = reading_of(talk)
    assert (kept["value"], kept["judged"], kept["unit"], kept["below"]) == ("1", "1", "ohm", True)


def test_what_is_read_as_a_figure_is_not_below_it():
    talk = at("limit-switch")
    talk.say("point four ohms")
    assert "below" not in reading_of(talk)


@pytest.mark.parametrize("words", ["okay", "okay done", "got it", "all done", "all set"])
def test_okay_is_done_only_where_neither_power_nor_gas_changes(words):
    plain = next(s for s in PROCEDURE.steps if s.kind == "do" and not s.sets and s.id in PROCEDURE.plain_way(_job()))
    talk = at(plain.id)
    talk.say(words)
    assert talk.note("done")["step"] == plain.id
    sets = next(s for s in PROCEDURE.steps if s.kind == "do" and s.sets)
    talk = at(sets.id)
    talk.say(words)
    assert talk.state.step == sets.id
    assert "done" not in [note.kind for note in talk.notes]


def _job():
    return Technician(PROCEDURE).dialogue.rules.job


@pytest.mark.parametrize(
    ("step", "words", "answer"),
    [("taps-tight", "no bubbles", "no"), ("taps-tight", "no leaks", "no"), ("polarity", "reversed", "no")],
)
def test_what_a_check_finds_is_the_answer_that_it_means_there(step, words, answer):
    talk = at(step)
    talk.say(words)
    if talk.state.phase is Phase.CONFIRMING:
        talk.say("yes")
    assert (talk.note("answer")["step"], talk.note("answer")["answer"]) == (step, answer)


def test_words_of_another_check_are_no_answer():
    talk = at("taps-tight")
    assert "That is not an answer here." in talk.hear("no spillage")
    assert (talk.state.step, talk.notes) == ("taps-tight", [])


def test_now_and_the_name_of_an_event_mark():
    talk = at("sequence")
    for at_s, words in ((100, "now"), (102, "air"), (122, "now"), (142, "mark"), (145, "flame"), (175, "fan")):
        talk.say(words, at_s)
    times = {taken.quantity: float(taken.value) for taken in talk.state.standing if taken.step == "sequence"}
    assert times == {"pre-purge-time": 20, "warm-up-time": 20, "trial-for-ignition": 3, "blower-on-time": 33}


def test_now_clocks_the_meter():
    talk = at("flame")
    talk.hear("clock the meter", "yes", "now")
    assert talk.said[0] == "Marked."
    talk.say("now", talk.at_s + 60)
    assert talk.said[0] == "I have six, zero, point, zero seconds."


def test_at_any_time_the_last_reading_the_step_and_the_words_that_work():
    talk = at("igniter-cold")
    assert talk.hear("what was the last reading").startswith("Last reading:")
    talk.say("sixty two ohms")
    while talk.state.phase is Phase.WARNING:
        talk.say("understood")
    assert talk.hear("what was the last reading").startswith("Last reading: igniter resistance, six, two ohms.")
    question = " ".join(say.text for say in present(talk.dialogue, talk.state))
    assert talk.hear("what's next") == question
    assert talk.hear("help") == talk.hear("what can I say")
    assert talk.hear("help").startswith("Say ")


def test_before_any_reading_there_is_none():
    talk = Technician(PROCEDURE)
    talk.begin()
    assert "There is no reading yet." in talk.hear("what was the last reading")


def test_hang_on_holds_and_help_tells_how_to_go_on():
    talk = at("igniter-cold")
    talk.say("hang on")
    assert talk.state.phase is Phase.HOLDING
    assert "Say go on." in talk.hear("help")
    assert talk.state.phase is Phase.HOLDING


def test_nope_nothing_is_no_note():
    talk = at("igniter-cold")
    talk.say("note")
    assert "No note." in talk.hear("nope nothing")
    assert (talk.state.phase, talk.notes) == (Phase.ASKING, [])


def test_a_helper_s_list_keeps_what_was_understood():
    talk = at("line")
    talk.say("helper reading")
    said = talk.hear("line voltage one twenty two neutral to ground banana")
    assert "Neutral to ground: I did not understand." in said
    talk.say("yes")
    assert (reading_of(talk)["quantity"], reading_of(talk)["value"]) == ("line-voltage", "122")
    assert not talk.state.ahead  # the other is asked at its own step


def test_each_is_expected_by_the_recognizer_at_its_question_and_nowhere_else():
    for step, words in (("taps-tight", "no bubbles"), ("refit", "okay done"), ("sequence", "now")):
        talk = at(step)
        question = talk.dialogue.question(talk.state)
        assert words in phrases(talk.dialogue.language, question)
        assert words not in phrases(talk.dialogue.language, Question("told"))


@pytest.mark.parametrize("step", [step.id for step in PROCEDURE.steps][:12])
def test_what_can_be_said_is_short(step):
    from assistant.wording.english import can_be_said

    talk = at("igniter-cold")
    told = can_be_said(talk.state.at, PROCEDURE.step(step))
    assert len(told.split()) <= 16  # about five seconds
