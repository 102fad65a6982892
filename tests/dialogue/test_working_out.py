"""What is worked out by voice: fed by the visit, asked where something is lacking, and never in the way."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from simulated import Technician

from assistant.dialogue.events import Opened, Voiced
from assistant.dialogue.figures import findings, found
from assistant.dialogue.state import Phase, Working
from assistant.files import library
from assistant.language.meaning import Question
from assistant.trade.computations import COMPUTATIONS
from assistant.trade.limits import limit_for
from assistant.trade.procedures import State as Site
from assistant.wording import english as wording


def technician(step: str = "flame", name: str = "hot-surface-natural-gas-no-heat", **job: object) -> Technician:
    """At the question of a step, with the plate of 80 000 Btu/h."""
    talk = Technician(library().procedures[name])
    rules = talk.dialogue.rules
    plate = {
        "input-rate": {"value": 80000, "unit": "Btu_per_hour"},
        "temperature-rise": {"low": 40, "high": 70, "unit": "delta_degF"},
    }
    changed = type(rules.job).model_validate({**rules.job.model_dump(), "plate": plate, **job})
    talk.dialogue = replace(talk.dialogue, rules=replace(rules, job=changed))
    talk.go_to(step)
    talk.notes.clear()
    return talk


def test_the_rise_by_voice_asks_what_is_lacking_and_goes_back():
    talk = technician()
    prompt = "After two minutes, read the flame signal in microamps."
    assert (
        talk.hear("work out the rise")
        == "Say the supply air temperature, in degrees Fahrenheit. Say no if it is not known."
    )
    assert "I have one, two, two degrees Fahrenheit." in talk.hear("one twenty two degrees")
    said = talk.hear("sixty eight degrees", *(["yes"] if waits(talk) else []))
    if isinstance(talk.state.at, Working):
        said = talk.hear("yes")
    assert "Temperature rise is five four degrees Fahrenheit. Give or take" in said
    assert "Pass, plate limit." in said
    assert said.endswith(prompt)
    assert talk.state.phase is Phase.ASKING
    worked = talk.note("worked-out")
    assert (worked["working"], worked["value"], worked["verdict"]) == ("temperature-rise", "54", "pass")
    assert worked["inputs"]["supply_degF"] == {"value": "122", "unit": "degF", "from": "said"}


def test_the_meter_is_clocked_by_marks_with_the_uncertainty_of_each_input():
    talk = technician(meters=[])
    assert talk.hear("clock the meter") == "Is all other gas on this meter off, pilots too? Say yes or no."
    assert "mark as the hand starts a turn" in talk.hear("yes")
    talk.say("mark", 1000)
    assert talk.said[0] == "Marked."
    talk.say("mark", 1023.5)
    said = " ".join(talk.said)
    # 3600 x 0.5 / 23.5 x 1000; u: marks 0.49 s, dial 1 %, heating value 1.5 %: F15
    assert "Input rate is 76600 B T U per hour." in said
    assert talk.note("worked-out")["value"] == "76595.7"
    share = Decimal(talk.note("worked-out")["worked_uncertainty"]) / Decimal("76595.7")
    expected = ((Decimal("0.49") / Decimal("23.5")) ** 2 + Decimal("0.011547") ** 2 + Decimal("0.017321") ** 2).sqrt()
    assert abs(share - expected) < Decimal("0.0002")
    assert talk.note("worked-out")["whole"] is True
    assert "plate limit" in said
    standing = found(talk.dialogue.rules, talk.state, "input-rate")
    assert standing is not None
    assert standing.aside


def test_f15_of_the_trade_sheet():
    """Clock 1 ft3 in 45 s, 0.3 s each press, meter 1 %, heating value 1.5 %: U 2.3 %."""
    talk = technician(meters=[], gas={"dial_ft3": 1, "heating_value_btu_ft3": 1000})
    talk.hear("clock the meter", "yes")
    talk.say("mark", 1000)
    talk.say("mark", 1045)
    worked = talk.note("worked-out")
    assert worked["value"] == "80000"
    assert round(Decimal(worked["worked_uncertainty"]) / 800, 1) in (Decimal("2.3"), Decimal("2.4"))


def test_other_gas_that_is_on_ends_it():
    talk = technician()
    assert "Turn all other gas off first." in talk.hear("clock the meter", "no")
    assert talk.state.phase is Phase.ASKING
    assert "worked-out" not in [note.kind for note in talk.notes]


def test_lp_usually_has_no_meter():
    talk = technician(name="hot-surface-lp-no-heat", step="flame")
    assert "L P usually has no meter." in talk.hear("clock the meter")


def test_a_generic_heating_value_is_said_and_judges_nothing():
    talk = technician(gas=None)
    talk.hear("clock the meter", "yes", "twenty four seconds", "one half")
    while waits(talk):
        talk.hear("yes")
    assert isinstance(talk.state.at, Working)
    assert talk.state.at.asks == "heating-value"
    said = talk.hear("no")
    assert "It is not judged. It rests on a generic heating value." in said
    worked = talk.note("worked-out")
    assert worked["generic"] == ["heating value"]
    assert "verdict" not in worked
    assert not findings(talk.dialogue.rules, talk.state)


def test_the_airflow_rests_on_input_and_rise_and_on_generic_figures():
    talk = technician(meters=[])
    talk.hear("work out the air flow", "yes", "twenty four seconds")
    for answer in ("one twenty degrees", "seventy degrees"):
        while waits(talk):
            talk.hear("yes")
        talk.hear(answer)
    while waits(talk):
        talk.hear("yes")
    worked = talk.note("worked-out")
    # 75000 x 0.80 / (1.08 x 50) = 1111
    assert worked["value"] == "1111.11"
    assert worked["generic"] == ["air at sea level", "efficiency"]
    assert worked["whole"] is False


def test_what_has_warnings_is_read_at_its_own_step():
    talk = technician()
    said = talk.hear("work out the air free")
    assert "Flue C O is read at its own step, with its warnings." in said
    assert talk.state.phase is Phase.ASKING


@pytest.mark.parametrize("step", ["connections", "line", "arrival-air"])
def test_with_the_burner_off_nothing_that_needs_it_is_asked_and_nothing_changes(step):
    talk = technician(step=step)
    before = talk.state.site
    said = talk.hear("work out the rise")
    assert "needs the burner running" in said
    assert (talk.state.step, talk.state.phase, talk.state.site) == (step, Phase.ASKING, before)


def test_a_pending_yes_is_not_lost():
    talk = technician()
    talk.hear("one point nine microamps")
    assert talk.state.phase is Phase.CONFIRMING
    said = talk.hear("work out the rise", "one twenty two", "correction", "correction")
    assert "Not worked out." in said
    assert said.endswith("I heard one, point, nine microamps. Is that right?")
    talk.hear("yes")
    assert talk.state.latest("flame-signal").value == Decimal("1.9")


def test_at_a_change_of_power_the_warnings_are_voiced_again_and_understood_is_still_needed():
    talk = Technician(library().procedures["hot-surface-natural-gas-no-heat"])
    talk.begin()
    while talk.state.step != "isolate" or talk.state.phase is not Phase.WARNING:
        talk.turn()
    said = talk.hear("work out the rise")
    assert "Lock and tag" in said
    talk.hear("done")
    assert (talk.state.step, talk.state.phase) == ("isolate", Phase.WARNING)
    assert talk.state.site == Site()


def test_hold_stop_and_emergency_work_while_an_input_is_asked():
    talk = technician()
    talk.hear("work out the rise", "hold")
    assert talk.state.phase is Phase.HOLDING
    assert talk.hear("go on").startswith("Say the supply air temperature,")
    talk.hear("i smell gas")
    assert talk.state.phase is Phase.EMERGENCY
    assert not isinstance(talk.state.at, Working)


def test_the_limit_that_is_asked_meanwhile_is_of_what_is_asked():
    talk = technician()
    talk.hear("work out the rise")
    assert talk.dialogue.asked(talk.state) == "supply-temperature"
    rules = talk.dialogue.rules
    limit = wording.limit(limit_for("supply-temperature", rules.limits, rules.job))
    assert talk.hear("what is the limit").startswith(limit)


def test_an_interrupted_clocking_starts_its_stopwatch_anew():
    talk = technician()
    talk.hear("clock the meter", "yes")
    talk.say("mark", 500)
    talk.event(Opened(resumed=True))
    assert isinstance(talk.state.at, Working)
    assert talk.state.hand.first_mark_s is None
    assert "The marks are lost." in " ".join(talk.said)


def test_what_was_refused_is_not_heard_again():
    talk = technician()
    talk.hear("work out the rise", "between one twenty and one thirty degrees")
    assert talk.state.at.heard is not None
    said = talk.hear("no")
    assert said.startswith("Not taken. Say the supply air temperature,")


def test_every_spoken_working_has_words_and_its_inputs():
    said = (library().language.understand(each, Question("told")) for each in library().grammar.sentences("work_out"))
    assert {meaning.of for meaning in said} == {name for name, each in COMPUTATIONS.items() if each.spoken}


def test_nothing_said_while_working_out_would_be_taken_as_an_answer():
    talk = technician()
    for text in ("clock the meter", "yes", "mark", "twenty four seconds", "work out the rise", "one twenty"):
        talk.say(text)
        for said in talk.said:
            meaning = talk.dialogue.language.understand(said, talk.dialogue.question(talk.state))
            assert type(meaning).__name__ == "Unclear", said
    assert isinstance(talk.events[-1], Voiced)


def waits(talk) -> bool:
    """Whether a value that was heard waits for a yes."""
    return isinstance(talk.state.at, Working) and talk.state.at.heard is not None
