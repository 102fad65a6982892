"""The set-up by voice, in words: what a job file leaves out is asked, read back, and becomes one."""

from __future__ import annotations

import pytest

from assistant.dialogue.effects import Note, Say
from assistant.dialogue.events import Said
from assistant.dialogue.setting_up import SettingUp, SetUp
from assistant.dialogue.state import Phase
from assistant.files import library
from assistant.language.heard import Heard
from assistant.trade.job import Job, PlateValue

WHEN = "2026-01-05 09:00"
SETUP = SetUp(library().language, library().quantities, library().set_up, library().worked)
KNOWN = {
    "site": "site 7 (invented)",
    "technician": {"name": "Sam Doe (invented)"},
    "appliance": {"description": "invented furnace", "fuel": "natural gas", "ignition": "hot surface"},
    "visit": "yearly check",
}

WHOLE = {
    "technician": ["seven", "yes"],
    "site": ["four seven one one"],
    "unit": ["two"],
    "ignition system": ["hot surface"],
    "fuel": ["natural gas", "yes"],
    "kind of visit": ["yearly check"],
    "igniter": ["silicon carbide"],
    "input-rate": ["eighty thousand", "yes"],
    "manifold-pressure": ["three point five inches", "yes"],
    "temperature-rise": ["forty to seventy", "yes"],
    "supply-temperature": ["one seventy five", "yes"],
    "igniter-resistance": ["forty five", "ninety ohms", "yes"],
    "igniter-voltage": ["one oh two to one thirty two", "yes"],
    "heating value": ["one thousand thirty", "yes"],
    "meter dial": ["one half", "yes"],
    "begin": ["yes"],
}


def say(state: SettingUp, *sayings: str) -> tuple[SettingUp, list[str], list[str]]:
    """What is said, one after another: the state, the last decisions, and the last words."""
    effects: list = []
    for words in sayings:
        state, effects = SETUP.step(state, Said(Heard(words)))
    notes = [f"{e.body['asked']}: {e.body['decided']}" for e in effects if isinstance(e, Note) and e.kind == "set-up"]
    return state, notes, [e.text for e in effects if isinstance(e, Say)]


def asked(state: SettingUp) -> str:
    item = SETUP.asked(state)
    return item.name if item else "begin"


def work(state: SettingUp, script: dict[str, list[str]]) -> SettingUp:
    """Answers by a script, and skips what it does not hold, until the visit may begin."""
    for _ in range(60):
        if state.phase is Phase.CLOSED:
            return state
        name = asked(state)
        state = say(state, *script.get(name, ["yes"] if name == "begin" else ["skip"]))[0]
    raise AssertionError(f"it still asks for {asked(state)}")


def at(name: str, **known: object) -> SettingUp:
    """A set-up that asks for `name`: what comes before it is left out."""
    state = SettingUp({**KNOWN, **known})
    while asked(state) != name:
        state = say(state, "skip")[0]
    return state


def test_all_answered_it_is_the_job_that_a_file_would_give():
    job = Job.model_validate(SETUP.job(work(SettingUp({}), WHOLE), WHEN))
    assert (job.site, job.technician.name, job.visit) == ("site 4711", "technician 7", "yearly check")
    assert (job.appliance.tag, job.appliance.fuel, job.appliance.ignition) == ("unit 2", "natural gas", "hot surface")
    assert job.appliance.igniter_material == "silicon carbide"
    assert job.plate["input-rate"] == PlateValue(value=80000, unit="Btu_per_hour")
    assert job.plate["manifold-pressure"] == PlateValue(value="3.5", unit="inH2O")
    assert job.plate["temperature-rise"] == PlateValue(low=40, high=70, unit="delta_degF")
    assert job.plate["igniter-resistance"] == PlateValue(low=45, high=90, unit="ohm")
    assert job.gas is not None
    assert (job.gas.heating_value_btu_ft3, str(job.gas.dial_ft3)) == (1030, "0.5")
    assert library().rules_for(job).procedure.ignition == "hot surface"


def test_every_prompt_of_every_procedure_can_be_heard_between():
    for ignition in ("standing pilot", "intermittent pilot", "direct spark", "hot surface"):
        for fuel in ("natural gas", "LP"):
            state = SettingUp({**KNOWN, "appliance": {**KNOWN["appliance"], "ignition": ignition, "fuel": fuel}})
            names = []
            while asked(state) != "begin":
                names.append(asked(state))
                words = [e.text for e in SETUP.present(state)]
                assert words
                assert all(len(text) <= 80 for text in words), words  # five seconds, at 14 to 16 a second
                state, _, told = say(state, "skip")
                assert told
            assert {"input-rate", "manifold-pressure", "temperature-rise"} <= set(names)


def test_what_the_file_has_is_not_asked():
    state = SettingUp({**KNOWN, "plate": {"input-rate": {"value": 80000, "unit": "Btu_per_hour"}}})
    assert asked(state) == "igniter"
    assert asked(say(state, "skip")[0]) == "manifold-pressure"


def test_skipped_all_through_only_what_decides_the_procedure_is_needed():
    script = {"ignition system": ["direct spark"], "fuel": ["propane", "yes"]}
    job = Job.model_validate(SETUP.job(work(SettingUp({}), script), WHEN))
    assert (job.appliance.fuel, job.visit, job.plate, job.gas) == ("LP", "yearly check", {}, None)
    assert job.technician.name == "technician not named"
    other = Job.model_validate(SETUP.job(work(SettingUp({}), script), "2027-01-05 09:00"))
    assert job.appliance_key() != other.appliance_key()  # the history of another appliance would be worse than none


def test_one_unit_of_a_site_without_a_number_is_not_taken_for_another():
    script = {"ignition system": ["direct spark"], "fuel": ["propane", "yes"], "site": ["twelve"]}
    keys = {
        Job.model_validate(SETUP.job(work(SettingUp({}), script), when)).appliance_key() for when in (WHEN, "later")
    }
    assert len(keys) == 2
    numbered = {**script, "unit": ["two"]}
    keys = {Job.model_validate(SETUP.job(work(SettingUp({}), numbered), when)).appliance_key() for when in (WHEN, "x")}
    assert keys == {"site 12: unit 2"}


@pytest.mark.parametrize("name", ["ignition system", "fuel"])
def test_the_ignition_system_and_the_fuel_cannot_be_left_out(name):
    missing = "ignition" if name == "ignition system" else "fuel"
    appliance = {key: value for key, value in KNOWN["appliance"].items() if key != missing}
    state = SettingUp({**KNOWN, "appliance": appliance})
    assert asked(state) == name
    state, _, told = say(state, "skip")
    assert asked(state) == name
    assert "It cannot be left out." in told


def test_the_fuel_waits_for_a_yes_and_a_no_asks_again():
    appliance = {"description": "invented", "ignition": "hot surface"}
    state, notes, told = say(SettingUp({**KNOWN, "appliance": appliance}), "l p")
    assert told == ["I heard L P.", "Is that right?"]
    assert notes == ["fuel: asked: L P"]
    state, notes, _ = say(state, "no")
    assert notes == ["fuel: refused: L P"]
    assert "fuel" not in state.job["appliance"]
    assert say(state, "natural gas", "yes")[0].job["appliance"]["fuel"] == "natural gas"


def test_a_figure_of_the_plate_is_read_back_digit_by_digit_and_waits_for_a_yes():
    state, _, told = say(at("manifold-pressure"), "three point five")
    assert told == ["I heard three, point, five inches of water.", "Is that right?"]
    assert "plate" not in state.job
    state, notes, told = say(state, "yes")
    assert notes == ["manifold-pressure: taken: 3.5 inH2O"]
    assert told[0] == "Taken."


def test_a_refused_figure_is_left_out_of_the_next_try():
    state, _, _ = say(at("manifold-pressure"), "three point five", "no")
    _, notes, told = say(state, "three point five")
    assert notes == ["manifold-pressure: unclear: refused-before"]
    assert told[0] == "I hear the same value again, that you refused."


def test_words_that_fit_two_figures_are_asked():
    state, notes, told = say(at("manifold-pressure"), "three five")
    assert notes == ["manifold-pressure: unclear: ambiguous"]
    assert told == ["Do you mean three, five; or three, point, five?"]
    assert say(state, "three point five", "yes")[0].job["plate"]["manifold-pressure"]["value"] == "3.5"


def test_a_span_may_come_in_one_breath_or_in_two_and_may_have_no_highest():
    assert [e.text for e in SETUP.present(at("temperature-rise"))] == ["Lowest temperature rise on the plate."]
    assert say(at("temperature-rise"), "forty")[2][0] == "Lowest four, zero."
    one = say(at("temperature-rise"), "between forty and seventy", "yes")[0].job["plate"]["temperature-rise"]
    two = say(at("temperature-rise"), "forty", "seventy", "yes")[0].job["plate"]["temperature-rise"]
    assert one == two == {"low": "40", "high": "70", "unit": "delta_degF"}
    state, _, told = say(at("temperature-rise"), "forty", "no")
    assert told == ["I heard lowest four, zero degrees Fahrenheit, no highest.", "Is that right?"]
    assert say(state, "yes")[0].job["plate"]["temperature-rise"] == {"low": "40", "unit": "delta_degF"}


def test_a_span_the_wrong_way_round_is_asked_again():
    state, _, told = say(at("temperature-rise"), "seventy to forty")
    assert told[0] == "The lowest must be below the highest."
    assert asked(state) == "temperature-rise"
    assert state.phase is Phase.ASKING


@pytest.mark.parametrize(
    ("name", "words", "told"),
    [
        ("input-rate", "eighty", "That is no figure for this."),
        ("manifold-pressure", "between three and four", "I need the figure itself."),
        ("manifold-pressure", "one twenty volts", "That is a voltage; I asked for inches of water."),
        ("manifold-pressure", "about three", "I need the figure itself."),
    ],
)
def test_what_is_no_figure_of_a_plate_says_why(name, words, told):
    state, _, answer = say(at(name), words)
    assert answer[0] == told
    assert asked(state) == name


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("temperature-rise", "Without it I cannot judge."),
        ("manifold-pressure", "The generic limit counts."),
    ],
)
def test_what_is_left_out_says_what_follows(name, told):
    state, notes, answer = say(at(name), "skip")
    assert told in answer
    assert notes == [f"{name}: left out"]
    assert asked(state) != name


def test_correction_and_go_back_put_the_question_before_again():
    state = say(at("manifold-pressure"), "three point five", "yes")[0]
    state, notes, _ = say(state, "correction")
    assert asked(state) == "manifold-pressure"
    assert "plate" not in state.job
    assert notes == ["temperature-rise: correction"]
    assert asked(say(state, "go back")[0]) == "input-rate"


def test_go_back_at_the_end_then_begin():
    state = at("begin")
    state, _, told = say(state, "no")
    assert told == ["Say go back, to the answer that is to change."]
    state = say(state, "go back")[0]
    assert asked(state) == "heating value"
    assert say(state, "skip", "begin the visit")[0].phase is Phase.CLOSED


def test_a_confusable_number_of_a_technician_is_asked():
    start = SettingUp({key: value for key, value in KNOWN.items() if key != "technician"})
    assert say(start, "fifteen")[0].phase is Phase.CONFIRMING
    _, notes, told = say(start, "twelve")
    assert notes == ["technician: taken: technician 12"]
    assert told[0] == "I have technician one, two."


def test_other_talk_is_no_answer_and_leaves_nothing():
    state = at("fuel", appliance={"description": "invented", "ignition": "hot surface"})
    again, notes, told = say(state, "[unk] the game tonight")
    assert notes == []
    assert told == ["I did not understand.", "Say natural gas, or L P."]
    assert again.job == state.job


def test_hold_and_stop_wait_for_go_on():
    for word in ("hold", "stop"):
        state = say(at("manifold-pressure"), word)[0]
        assert say(state, "three point five")[0] == state
        assert asked(say(state, "go on")[0]) == "manifold-pressure"


def test_an_emergency_is_answered_and_ends_only_with_a_name_and_a_yes():
    state = say(at("manifold-pressure"), "three point five")[0]
    state, notes, told = say(state, "i smell gas")
    assert told[0] == "Leave now."
    assert notes == ["manifold-pressure: emergency"]
    assert say(state, "yes")[0].phase is Phase.EMERGENCY
    state = say(state, "area clear")[0]
    assert state.phase is Phase.CLEARING
    assert say(state, "pat moe", "no")[0].phase is Phase.EMERGENCY
    state, _, told = say(state, "pat moe", "yes")
    assert (state.phase, asked(state)) == (Phase.ASKING, "manifold-pressure")
    assert "plate" not in state.job


@pytest.mark.parametrize(
    ("name", "words", "grown"),
    [
        ("kind of visit", "no", True),  # "no heat"
        ("kind of visit", "no heat", True),  # "no heat call"
        ("kind of visit", "yearly", True),
        ("kind of visit", "safety", None),
        ("kind of visit", "skip", False),
        ("ignition system", "direct spark", False),
        ("manifold-pressure", "three point five inches", False),
    ],
)
def test_when_an_answer_has_ended(name, words, grown):
    appliance = {"description": "invented", "fuel": "LP"}
    asks_words = {"visit": None, "appliance": appliance}
    state = SettingUp({**KNOWN, **asks_words}) if name != "manifold-pressure" else at(name)
    if name == "kind of visit":
        state = say(state, "hot surface")[0]
    assert asked(state) == name
    assert SETUP.grown(state, words) is grown
