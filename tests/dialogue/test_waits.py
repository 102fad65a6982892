"""The wait that a step asks for counts by itself."""

from __future__ import annotations

import re

import pytest
from doubles import TestClock
from scripted_ears import Person, open_visit
from simulated import Technician

from assistant.dialogue.events import Clock, Opened, Quiet
from assistant.dialogue.state import Phase
from assistant.files import Library, library
from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.record.story import story_of
from assistant.review.replay import rows
from assistant.trade.checking import check
from assistant.trade.computations import FINDINGS
from assistant.trade.procedures import Step

SECONDS = {
    "one": 60,
    "two": 120,
    "three": 180,
    "five": 300,
    "5 to 10": 300,
}  # of what is said, or is a limit's condition


@pytest.fixture
def person() -> Technician:
    """At the step that reads the flame signal after two minutes; the burners were seen to light at 1000 s."""
    technician = Technician(library().procedures["hot-surface-natural-gas-yearly"])
    technician.go_to("light")
    technician.say("yes", 998)
    technician.say("yes", 1000)
    assert (technician.state.step, technician.state.phase) == ("flame", Phase.ASKING)
    return technician


def read(technician: Technician, at_s: float) -> None:
    """Reads the flame signal, which always needs a yes."""
    technician.say("three point five microamps", at_s)
    technician.say("yes", at_s)


def early(technician: Technician) -> list[dict]:
    return [note.body for note in technician.notes if note.kind == "not-waited"]


def test_it_tells_what_is_left_counts_aloud_and_puts_the_question_again_shortly(person):
    assert person.said == ["After two minutes, read the flame signal in microamps."]
    assert person.due_s() == 0.0  # the clock is asked for at once
    person.event(Clock(1004.0))
    assert person.said == ["1 minute and 56 seconds to wait."]
    assert person.run_clock(2000) == [
        (1060, "1 minute left."),
        (1110, "10 seconds left."),
        (1120, "Time is up. Read the flame signal."),
    ]
    assert person.due_s() is None
    assert person.note("wait-over") == {"step": "flame", "seconds": 120, "at_s": 1120}
    read(person, 1130)
    assert (early(person), person.state.timers) == ([], ())


def test_what_it_nearly_begins_with_is_not_counted_again(person):
    person.event(Clock(1055.0))
    assert person.said == ["1 minute and 5 seconds to wait."]
    assert person.due_s() == 1110


def test_where_it_is_over_already_nothing_is_said(person):
    person.event(Clock(1121.0))
    assert (person.said, person.due_s()) == ([], None)
    person.say("how long", 1122)
    assert person.said[0] == "No timer runs."


@pytest.mark.parametrize(
    ("clock_comes", "at", "left"), [(True, 1050, [70.0]), (False, 1050, [70.0]), (False, 1121, [])]
)
def test_an_answer_before_its_end_is_taken_and_noted(person, clock_comes, at, left):
    if clock_comes:
        person.event(Clock(1004.0))
    read(person, at)
    assert person.state.latest("flame-signal") is not None
    assert early(person) == [{"step": "flame", "seconds": 120, "left_s": left_s} for left_s in left]
    assert person.state.timers == ()


def test_a_step_that_is_skipped_was_not_answered_too_early(person):
    person.hear("skip", "no time")
    assert person.state.step != "flame"
    assert (early(person), person.state.timers) == ([], ())


def test_after_an_interruption_of_the_program_it_counts_from_the_question(person):
    person.event(Clock(1004.0))
    person.event(Opened(resumed=True))
    assert person.said[-1] == "After two minutes, read the flame signal in microamps."
    assert not any("timers" in text for text in person.said)  # none that anybody started was lost
    person.event(Clock(7.0))
    assert person.said == ["2 minutes to wait."]
    assert person.run_clock(120) == [(67, "1 minute left."), (117, "10 seconds left.")]
    read(person, 120)
    assert early(person) == [{"step": "flame", "seconds": 120, "left_s": 7.0}]


def test_one_that_is_over_stays_over_after_a_hold_and_after_an_interruption(person):
    person.event(Opened(resumed=True))
    person.event(Clock(7.0))
    person.run_clock(127)
    for again in (lambda: person.hear("hold", "go on"), lambda: person.event(Opened(resumed=True))):
        again()
        assert person.due_s() is None
    read(person, 10)
    assert early(person) == []


def test_it_goes_on_over_a_hold_and_is_not_told_twice(person):
    person.event(Clock(1004.0))
    person.say("hold", 1010)
    assert person.run_clock(1060) == [(1060, "1 minute left.")]
    person.say("go on", 1070)
    assert person.due_s() == 1110
    person.say("hold", 1115)
    assert person.run_clock(1200)[1:] == [(1120, "Time is up.")]  # no question is put on hold


def test_it_runs_beside_timers_that_were_asked_for_and_ends_with_its_step(person):
    for at in range(4):
        person.say("timer ten minutes", 1001 + at)
    assert person.said[0] == "A timer of 10 minutes runs."
    person.say("how long", 1010)
    assert person.said[0] == "Of 2 minutes, 1 minute and 50 seconds left."
    person.say("timer off", 1011)
    assert person.said[0] == "The timers are off."
    person.say("timer off", 1012)
    assert person.said[0] == "Only the wait of this step runs."
    person.say("go back", 1013)
    assert (person.state.step, person.state.timers) == ("light", ())


def test_the_next_step_counts_since_the_same_moment(person):
    person.event(Clock(1004.0))
    person.run_clock(1120)
    read(person, 1125)
    person.go_on_to("vent")
    person.event(Clock(1180.0))
    assert person.said == ["2 minutes to wait."]


def test_where_the_moment_is_not_known_the_steps_after_it_do_not_begin_anew(person):
    person.event(Opened(resumed=True))
    person.event(Clock(20.0))
    assert person.said == ["2 minutes to wait."]
    person.run_clock(140)
    read(person, 145)
    person.go_on_to("vent")
    person.event(Clock(200.0))
    assert person.said == ["2 minutes to wait."]


def test_nothing_is_known_of_it_after_an_emergency_or_a_repair(person):
    person.say("i smell gas", 1010)
    assert (person.state.timers, person.state.left_at, person.due_s()) == ((), {}, None)
    repaired = Technician(person.procedure)
    repaired.go_to("light")
    repaired.say("yes", 998)
    repaired.say("yes", 1000)
    repaired.hear("repair flame rod cleaned", "yes")
    assert repaired.state.repairs
    assert "light" not in repaired.state.left_at


def test_while_it_runs_nobody_is_asked_to_say_anything(person):
    person.event(Clock(1004.0))
    person.event(Quiet(30.0))
    assert person.said == []
    person.run_clock(1120)
    person.event(Quiet(30.0))
    assert person.said[0] == "I am listening."


def test_low_gas_waits_since_the_gas_was_shut_and_a_yes_that_is_asked_for_is_not_disturbed(person):
    pilot = Technician(library().procedures["standing-pilot-lp-yearly"])
    pilot.go_to("low-gas-unlit")
    left = pilot.state.left_at["flame-out"]
    pilot.event(Clock(left + 200))
    assert pilot.said == ["1 minute and 40 seconds to wait."]
    pilot.say("no", left + 295)
    assert pilot.said == ["Not yet.", "5 seconds to wait."]
    assert early(pilot) == [{"step": "low-gas-unlit", "seconds": 300, "left_s": 5}]
    assert pilot.state.phase is Phase.ASKING
    pilot.event(Clock(left + 300))
    pilot.say("no", left + 302)
    assert pilot.state.phase is Phase.CONFIRMING
    pilot.say("yes", left + 303)
    assert pilot.state.step != "low-gas-unlit"


def of_the_limits(shelf: Library, step: Step) -> str:
    """The conditions of the limits that judge a step."""
    names = (*step.quantities, *step.works_out)
    return " ".join(limit.condition for name in names for limit in shelf.limits.get(name, ()))


def test_every_step_whose_words_or_limit_name_minutes_waits_so_long(shelf):
    waiting = set()
    for procedure in shelf.procedures.values():
        for step in procedure.steps:
            named = re.search(
                r"(one(?= minute)|\w+(?= minutes)|5 to 10(?= minutes))", f"{step.say} {of_the_limits(shelf, step)}"
            )
            assert (step.wait is not None) == bool(named), (procedure.name, step.id)
            if step.wait and named:
                waiting.add(step.id)
                assert step.wait.seconds == SECONDS["5 to 10" if "5 to 10" in named.string else named[1]]
                number = procedure.number(step.id)
                assert all(procedure.number(since) < number for since in step.wait.since)
                assert "minute" not in step.wait.then
    assert {"flame", "vent", "oxygen", "thermocouple", "low-gas-unlit"} <= waiting


def test_what_it_waits_since_must_be_a_step(shelf):
    procedure = shelf.procedures["hot-surface-natural-gas-yearly"]
    wait = procedure.step("flame").wait
    assert wait
    other = {"wait": wait.model_copy(update={"since": ("light", "lihgt")})}
    steps = tuple(step.model_copy(update=other if step.id == "flame" else {}) for step in procedure.steps)
    limits = shelf.limits_for(procedure.fuel, procedure.ignition, procedure.visit)
    changed = procedure.model_copy(update={"steps": steps})
    wrongs = check(changed, shelf.quantities, shelf.hazards, FINDINGS, limits)
    at = procedure.number("flame") - 1
    assert [(w.says, w.at) for w in wrongs] == [
        ("the step 'flame' waits since 'lihgt', and no step has that id.", ("steps", at, "wait", "since", 1))
    ]


def test_nothing_that_it_says_would_be_an_answer(person, language):
    question = person.dialogue.question(person.state)
    steps = [step for procedure in library().procedures.values() for step in procedure.steps if step.wait]
    for text in ("one minute and five seconds to wait", "ten seconds to wait", *{step.wait.then for step in steps}):
        assert type(language.understand(text, question)).__name__ == "Unclear", text


class Waiting(Person):
    """Says nothing for so many seconds each, once the flame signal is asked."""

    def __init__(self, *silences: float) -> None:
        super().__init__()
        self._silences = list(silences)

    def __call__(self) -> str | float | None:
        assert self.visit is not None
        if self.visit.state.step == "flame" and self.visit.state.phase is Phase.ASKING and self._silences:
            return self._silences.pop(0)
        return super().__call__()


def test_a_visit_counts_it_in_its_time_and_the_record_folds_and_shows_it(tmp_path):
    path = tmp_path / "visit.sqlite"
    visit = open_visit(path, Waiting(2.0, 58.0, 50.0, 10.0), clock=TestClock())
    assert visit.run()
    visit.record.close()
    with Record.open(path, read_only=True) as record:
        assert all(turn.same for turn in turns(record))
        read = list(rows(record))
        shown = [row.answer for row in read if row.heard == "(a timer)" and row.answer]
        happened = [h.text for h in story_of(record.entries()).happenings if h.kind == "not-waited"]
    assert shown[:4] == [
        "1 minute and 58 seconds to wait.",
        "1 minute left.",
        "10 seconds left.",
        "Time is up. Read the flame signal.",
    ]
    assert any(row.decided.startswith("waited 120 s: flame") for row in read)
    assert not any("flame signal" in text for text in happened)
    assert any(
        re.fullmatch(r"Answered [\d.]+ s before its wait of 300 s was over: venting\.", text) for text in happened
    )
    assert any("NOT WAITED: vent" in row.decided for row in read)
