"""Timers that are asked for by voice and count aloud."""

from __future__ import annotations

from dataclasses import replace

import pytest
from doubles import TestClock
from scripted_ears import open_visit
from simulated import Technician

from assistant.dialogue import timers
from assistant.dialogue.events import Clock, Opened
from assistant.dialogue.state import Hand, Phase, Working
from assistant.files import library
from assistant.language.meaning import Command
from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.review.replay import rows
from assistant.wording import english as wording


@pytest.fixture
def person() -> Technician:
    """At the step of a yearly check that reads the line voltage."""
    technician = Technician(library().procedures["hot-surface-natural-gas-yearly"])
    technician.go_to("line")
    return technician


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("start a timer of three minutes", [(120, "1 minute left."), (170, "10 seconds left.")]),
        ("timer one minute", [(50, "10 seconds left.")]),
        ("timer ninety seconds", [(80, "10 seconds left.")]),
        ("timer ten seconds", []),
    ],
)
def test_it_counts_aloud_where_the_end_matters(person, words, told):
    person.say(words, 1000)
    (timer,) = person.state.timers
    over = f"Time is up. That was {wording.duration(timer.seconds)}."
    assert person.said[0] == f"A timer of {wording.duration(timer.seconds)} runs."
    assert person.run_clock(2000) == [
        *((1000 + at, text) for at, text in told),
        (1000 + timer.seconds, over),
    ]
    assert person.state.timers == ()
    assert [note.kind for note in person.notes if note.kind.startswith("timer")] == ["timer", "timer-over"]


def test_several_run_at_once_and_say_which_they_are(person):
    person.say("timer five minutes", 1000)
    person.say("timer one minute", 1100)
    assert person.run_clock(1160) == [
        (1150, "Of 1 minute, 10 seconds left."),
        (1160, "Time is up. That was 1 minute."),
    ]
    person.say("how long", 1180)
    assert person.said[0] == "2 minutes left."
    person.say("timer off", 1181)
    assert person.said[0] == "The timers are off."
    assert person.due_s() is None


def test_more_than_can_be_told_apart_are_refused(person):
    for at in range(timers.MOST):
        person.say("timer five minutes", 1000 + at)
    person.say("timer one minute", 1100)
    assert person.said[0] == "4 timers run."
    assert len(person.state.timers) == timers.MOST


def test_where_a_mark_is_awaited_a_timer_is_silent_and_tells_only_the_last_after(person):
    run = Technician(library().procedures["hot-surface-natural-gas-commissioning"])
    run.go_to("sequence")
    run.say("timer one minute", 1000)
    assert run.said == ["A timer of 1 minute runs."]  # and not the question again: a mark may come
    assert run.due_s() is None
    for at in (1002, 1004, 1024, 1044, 1047):
        run.say("mark", at)
        run.event(Clock(1055.0))  # one that came all the same
        assert (run.said, run.due_s()) == ([], None)
    run.say("mark", 1077)
    if run.state.phase is Phase.TIMED:
        run.say("yes", 1080)
    assert run.due_s() == 1050.0  # past: it is told at once, and not that there were ten seconds left
    run.event(Clock(1082.0))
    assert run.said == ["Time is up.", "That was 1 minute."]


def test_an_emergency_ends_the_timers(person):
    person.say("timer five minutes", 1000)
    person.say("i smell gas", 1010)
    assert (person.state.timers, person.due_s()) == ((), None)


def test_no_timer_reaches_across_an_interruption_of_the_program(person):
    person.say("timer five minutes", 1000)
    person.event(Opened(resumed=True))
    assert person.state.timers == ()
    assert "The timers are off." in person.said


def test_say_again_means_what_was_said_before_the_timer_spoke(person):
    person.say("timer one minute", 1000)
    before = person.state.said
    person.event(Clock(1050.0))
    assert person.said == ["10 seconds left."]
    assert person.state.said == before


def test_nothing_that_a_timer_says_would_be_an_answer(person, language):
    question = person.dialogue.question(person.state)
    seconds = replace(question, quantity=library().quantities["warm-up-time"])
    for number in (1, 10, 60, 90, 180, 250):
        said = wording.duration(number).replace("1 ", "one ").replace("10", "ten")
        for text in (f"a timer of {said} runs", f"{said} left", f"of {said} {said} left", f"that was {said}"):
            assert not isinstance(language.understand(text, seconds), Command), text
            assert type(language.understand(text, seconds)).__name__ == "Unclear", text


def test_a_visit_tells_the_timer_in_its_time_and_the_record_folds(tmp_path):
    path = tmp_path / "visit.sqlite"
    waiting = ["timer one minute", 49.2, 5.8, 4.2, "how far"]
    visit = open_visit(path, lambda: waiting.pop(0) if waiting else None, clock=TestClock(), quiet_s=55.0)
    visit.run()
    visit.record.close()
    with Record.open(path, read_only=True) as record:
        entries = list(record.entries())
        assert all(turn.same for turn in turns(record))
        shown = [row.answer for row in rows(record) if row.heard == "(a timer)"]
    assert shown == ["10 seconds left.", "Time is up. That was 1 minute."]
    over = next(entry.body for entry in entries if entry.kind == "timer-over")
    assert over["seconds"] == 60
    # The silence goes on being counted over what a timer says.
    assert [entry.body["seconds"] for entry in entries if entry.kind == "quiet"] == [55.0]


def test_a_meter_that_is_clocked_by_marks_keeps_it_silent_too(person):
    person.say("timer one minute", 1000)
    works = Working("input-rate", Phase.ASKING, Hand(), asks="meter-dial-seconds")
    for first_mark_s, at in ((None, 1050.0), (1030.0, None)):
        state = replace(person.state, at=works, hand=Hand(first_mark_s=first_mark_s))
        assert timers.due_s(person.dialogue, state) == at
