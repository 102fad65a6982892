"""Stopwatches beside the step: "mark one", "mark two", "mark three"."""

from __future__ import annotations

import csv
from dataclasses import replace
from itertools import product

import pytest
from doubles import TestClock
from scripted_ears import open_visit
from simulated import Technician

from assistant.dialogue.events import Opened, Said
from assistant.dialogue.state import Phase
from assistant.files import library, top_folder
from assistant.language.heard import Heard, HeardWord
from assistant.language.meaning import Command, Question
from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.record.story import story_of
from assistant.review.replay import rows


@pytest.fixture
def person() -> Technician:
    """At the step of a yearly check that reads the line voltage."""
    technician = Technician(library().procedures["hot-surface-natural-gas-yearly"])
    technician.go_to("line")
    return technician


def kinds(technician: Technician) -> list[str]:
    return [note.kind for note in technician.notes if note.kind.startswith("stopwatch")]


def test_the_first_starts_it_and_the_second_reads_and_ends_it(person):
    before = person.state
    person.say("mark one", 1000)
    assert person.said == ["Stopwatch one runs."]
    person.say("mark one", 1012.34)
    assert person.said == ["Stopwatch one: 12.3 seconds."]
    body = {"number": 1, "from_s": 1000.0, "at_s": 1012.34, "seconds": 12.3, "step": "line"}
    assert person.note("stopwatch-read") == body
    # An aside: neither a reading nor a mark of the step, and the question stands.
    assert person.state == replace(before, said=person.state.said, now_s=person.state.now_s)


def test_three_run_at_once_each_for_itself(person):
    for number, at in (("one", 1000), ("two", 1001.5), ("three", 1004)):
        person.say(f"mark {number}", at)
    told = {}
    for number, at in (("two", 1010), ("one", 1011), ("three", 1012)):
        person.say(f"mark {number}", at)
        told[number] = person.said
    assert told == {
        "two": ["Stopwatch two: 8.5 seconds."],
        "one": ["Stopwatch one: 11.0 seconds."],
        "three": ["Stopwatch three: 8.0 seconds."],
    }


def test_it_counts_from_the_onset_of_the_word_not_from_its_end(person):
    words = (HeardWord("mark", 0.4, 0.8, 1.0), HeardWord("two", 0.9, 1.3, 1.0))
    person.event(Said(Heard("mark two", words), 1000.0))
    person.event(Said(Heard("mark two", words), 1003.0))
    assert person.said == ["Stopwatch two: 3.0 seconds."]


def test_how_long_tells_what_they_have_reached_and_they_run_on(person):
    person.say("mark three", 1000)
    person.say("timer one minute", 1010)
    person.say("how long", 1020)
    assert person.said[:2] == ["50 seconds left.", "Stopwatch three: 20.0 seconds."]
    person.say("timer off", 1021)
    person.say("mark three", 1030)
    assert person.said == ["Stopwatch three: 30.0 seconds."]


def test_they_work_on_hold_and_across_steps(person):
    person.say("hold", 999)
    person.say("mark one", 1000)
    assert (person.said, person.state.phase) == (["Stopwatch one runs."], Phase.HOLDING)
    person.say("go on", 1010)
    person.say("one twenty one volts", 1020)
    assert person.state.step != "line"
    person.say("mark one", 1030)
    assert person.said == ["Stopwatch one: 30.0 seconds."]


def test_where_the_step_awaits_marks_it_is_refused_without_a_word_and_one_that_runs_goes_on(person):
    run = Technician(library().procedures["hot-surface-natural-gas-commissioning"])
    run.go_to("sequence")
    for at, text in ((1000, "mark one"), (1002, "mark"), (1003, "mark two")):
        run.say(text, at)
        assert run.said == []
    assert kinds(run) == ["stopwatch-refused"] * 2
    assert (len(run.state.hand.marks), run.state.stopwatches) == (1, {})
    for at in (1004, 1024, 1044, 1047, 1077):
        run.say("mark", at)
    if run.state.phase is Phase.TIMED:
        run.say("yes", 1080)
    assert run.note("times")["missed"] == []
    run.say("mark two", 1090)
    assert run.said == ["Stopwatch two runs."]


def test_a_mark_alone_and_one_that_names_its_event_mean_what_they_did(language):
    for name in ("", *(sentence for sentence in language.grammar.sentences("event"))):
        assert language.understand(f"mark {name}", Question("sequence")).name == "mark", name
    for number, word in enumerate(("one", "two", "three"), 1):
        assert language.understand(f"mark {word}", Question("sequence")) == Command("stopwatch", str(number))


def test_they_end_with_an_emergency_and_with_the_program(person):
    person.say("mark one", 1000)
    person.say("i smell gas", 1010)
    assert person.state.stopwatches == {}
    person.go_to("line")
    person.say("mark one", 1000)
    person.say("mark three", 1001)
    person.event(Opened(resumed=True))
    assert (person.state.stopwatches, person.note("stopwatch-lost")) == ({}, {"numbers": [1, 3]})
    assert "The stopwatches are lost." in person.said


def test_nothing_that_a_stopwatch_says_would_be_an_answer(person, language):
    question = person.dialogue.question(person.state)
    reached = ("twelve point three", "one", "sixty")
    for number, seconds in product(("one", "two", "three"), reached):
        for text in (f"stopwatch {number} runs", f"stopwatch {number} {seconds} seconds"):
            assert type(language.understand(text, question)).__name__ == "Unclear", text


def test_no_recording_of_a_visit_says_one_by_chance():
    for path in (top_folder("audio_fixtures") / "visits").glob("*.spoken.tsv"):
        with path.open(encoding="utf-8") as table:
            for row in csv.DictReader((line for line in table if not line.startswith("#")), delimiter="\t"):
                meaning = library().language.understand(row["text"], Question("told"))
                assert not (isinstance(meaning, Command) and meaning.name == "stopwatch")


def test_a_visit_keeps_them_and_the_record_folds_and_shows_them(tmp_path):
    path = tmp_path / "visit.sqlite"
    waiting: list[str | float] = ["mark one", 3.4, "mark one", "how far"]
    visit = open_visit(path, lambda: waiting.pop(0) if waiting else None, clock=TestClock())
    visit.run()
    visit.record.close()
    with Record.open(path, read_only=True) as record:
        assert all(turn.same for turn in turns(record))
        read = next(entry.body for entry in record.entries() if entry.kind == "stopwatch-read")
        shown = [row.decided for row in rows(record)]
        happened = [h.text for h in story_of(record.entries()).happenings if h.kind == "stopwatch-read"]
    assert read["seconds"] == pytest.approx(5.0)
    assert "stopwatch 1: 5.0 s" in shown
    assert happened == ["Stopwatch 1 at ambient CO: 5.0 s."]
