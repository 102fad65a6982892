"""What is gathered from a record."""

from __future__ import annotations

from pathlib import Path

import pytest
import scripted_visits

from assistant.errors import Problem
from assistant.language.heard import Heard
from assistant.record.entries import SetUp
from assistant.record.record import Record
from assistant.record.story import Story, story_of


def story_in(path: Path) -> Story:
    with Record.open(path, read_only=True) as record:
        return story_of(record.entries())


@pytest.fixture(scope="module")
def eventful(tmp_path_factory) -> Story:
    return story_in(scripted_visits.visit(tmp_path_factory.mktemp("eventful"), scripted_visits.EVENTFUL))


def test_each_reading_is_there_with_how_it_stands_and_the_words_it_was_taken_from(eventful):
    flame = eventful.latest("flame-signal")
    assert (flame.value, flame.verdict, flame.expanded_uncertainty) == ("1.4", "caution", "0.0508068")
    assert eventful.recordings[flame.seq].heard.text == "one point four microamps"
    assert flame.limit.source.mark == "common practice"
    line = eventful.latest("line-voltage")
    assert (line.value, line.speaker) == ("122.4", "helper")


def test_a_reading_that_was_taken_back_stands_no_longer(eventful):
    taken = [(r.value, r.seq in eventful.taken_back) for r in eventful.readings if r.quantity == "igniter-voltage"]
    assert taken == [("160", True), ("121", False)]
    assert [(c.before, c.kind == "refused", eventful.instead[c.seq]) for c in eventful.corrections] == [
        ("160", False, "121"),
        ("1.3", True, "1.4"),
    ]


def test_as_found_and_as_left(eventful):
    found = next(reading for reading in eventful.standing if reading.quantity == "igniter-resistance")
    assert (found.value, found.stage) == ("open", "found")
    assert (eventful.latest("igniter-resistance").value, eventful.latest("igniter-resistance").stage) == ("62", "left")


def test_what_was_skipped_is_not_checked_with_its_reason(eventful):
    (skipped,) = [each for each in eventful.not_checked if each.seq in eventful.recordings]
    assert (skipped.step, skipped.reason) == ("inlet-running", "no access")
    assert eventful.recordings[skipped.seq].heard.text == "no access"
    assert all("the job file" in each.reason for each in eventful.not_checked if each is not skipped)


def test_every_hazard_before_its_step(eventful):
    hazards = eventful.rules.hazards
    dangers = [w for w in eventful.warned if any(hazards[name].level == "danger" for name in w.hazards)]
    danger = {w.step: w.seq in eventful.understood for w in dangers}
    assert danger["power-on"]
    assert all(danger.values())


def test_how_it_was_left(eventful):
    assert (eventful.power, eventful.gas, eventful.closed) == ("live", "on", True)


def test_a_visit_that_breaks_off_says_what_it_did_not_come_to(tmp_path):
    broken_off = story_in(scripted_visits.visit(tmp_path, most=20))
    assert not broken_off.closed
    missed = {n.step: n.reason for n in broken_off.not_checked}
    assert missed["flame"] == "the visit did not come to it"
    assert "arrival-air" not in missed


def test_after_an_emergency_nothing_is_known_of_power_and_gas(tmp_path):
    visit = scripted_visits.visit(tmp_path, {"line": ["i smell gas"], "line emergency": ["no"] * 99}, most=60)
    story = story_in(visit)
    (emergency,) = story.emergencies
    assert "smell gas" in emergency.text
    assert (story.power, story.gas) == ("unknown", "unknown")


def test_an_emergency_after_the_visit_was_closed_opens_it_again(tmp_path):
    path = scripted_visits.visit(tmp_path)
    assert story_in(path).closed
    with Record.open(path) as record:
        said = next(entry.body for entry in record.entries() if entry.kind == "said")
        record.append([("said", said), ("emergency", {"why": "fire", "step": "told", "kind": "fire"})])
    story = story_in(path)
    assert (story.closed, story.decision, story.told, story.gas) == (False, None, None, "unknown")
    assert len(story.emergencies) == 1


def test_the_fold_is_the_same_however_often_it_is_made(tmp_path):
    path = scripted_visits.visit(tmp_path, scripted_visits.EVENTFUL)
    assert story_in(path) == story_in(path)


def test_an_entry_of_an_unknown_kind_changes_nothing_and_is_shown(tmp_path):
    path = scripted_visits.visit(tmp_path, most=30)
    with Record.open(path, read_only=True) as record:
        entries = list(record.entries())
    strange = list(entries)
    strange.insert(len(strange) - 1, entries[-1]._replace(kind="of-a-later-version", text='{"what":1}'))
    story = story_of(strange)
    assert story.readings == story_of(entries).readings
    assert "of-a-later-version" in story.happenings[-1].text


def test_a_record_without_a_visit_is_one_sentence(tmp_path):
    Record.create(tmp_path / "visit.sqlite").close()
    with pytest.raises(Problem, match="start a new one"):
        story_in(tmp_path / "visit.sqlite")


def test_a_name_that_is_no_word_of_the_grammar_is_only_on_its_recording():
    for words, understood in (("pat [unk]", ""), ("no access", "no access")):
        said = SetUp(heard=Heard(words), at_s=0.0, audio="1.flac", asked="", decided="")
        assert said.understood == understood
