"""What is gathered from a record."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import scripted_visits

from assistant.errors import Problem
from assistant.record.record import Record
from assistant.review.summary import Ending, Recording, Summary, summarize


def summary_of(path: Path) -> Summary:
    with Record.open(path, read_only=True) as record:
        return summarize(record.entries())


@pytest.fixture(scope="module")
def eventful(tmp_path_factory) -> Summary:
    return summary_of(scripted_visits.visit(tmp_path_factory.mktemp("eventful"), scripted_visits.EVENTFUL))


def test_each_reading_is_there_with_how_it_stands_and_the_words_it_was_taken_from(eventful):
    flame = eventful.latest("flame-signal")
    assert (flame.value, flame.judged.outcome, flame.judged.uncertainty) == ("1.4", "caution", "0.0508068")
    assert flame.recording.words == "one point four microamps"
    assert flame.judged.limit.source.mark == "common practice"
    line = eventful.latest("line-voltage")
    assert (line.value, line.speaker) == ("122.4", "helper")


def test_a_reading_that_was_taken_back_stands_no_longer(eventful):
    taken = [(r.value, r.withdrawn) for r in eventful.readings if r.quantity == "igniter-voltage"]
    assert taken == [("160", True), ("121", False)]
    assert [(c.before, c.refused, c.then) for c in eventful.corrections] == [
        ("160", False, "121"),
        ("1.3", True, "1.4"),
    ]


def test_as_found_and_as_left(eventful):
    assert (eventful.first("igniter-resistance").value, eventful.first("igniter-resistance").stage) == ("open", "found")
    assert (eventful.latest("igniter-resistance").value, eventful.latest("igniter-resistance").stage) == ("62", "left")


def test_what_was_skipped_is_not_checked_with_its_reason(eventful):
    (skipped,) = [each for each in eventful.not_checked if each.recording]
    assert (skipped.step, skipped.reason, skipped.recording.words) == ("inlet-running", "no access", "no access")
    assert all("the job file" in each.reason for each in eventful.not_checked if each is not skipped)


def test_every_hazard_before_its_step(eventful):
    danger = {w.step: w.understood for w in eventful.warned if w.danger}
    assert danger["power-on"]
    assert all(danger.values())


def test_how_it_was_left(eventful):
    assert (eventful.power, eventful.gas, eventful.closed) == ("live", "on", True)


def test_a_visit_that_breaks_off_says_what_it_did_not_come_to(tmp_path):
    broken_off = summary_of(scripted_visits.visit(tmp_path, most=20))
    assert not broken_off.closed
    missed = {n.step: n.reason for n in broken_off.not_checked}
    assert missed["flame"] == "the visit did not come to it"
    assert "arrival-air" not in missed


def test_after_an_emergency_nothing_is_known_of_power_and_gas(tmp_path):
    visit = scripted_visits.visit(tmp_path, {"line": ["i smell gas"], "line emergency": ["no"] * 99}, most=60)
    summary = summary_of(visit)
    (emergency,) = summary.emergencies
    assert "smell gas" in emergency.text
    assert (summary.power, summary.gas) == ("unknown", "unknown")


def test_an_emergency_after_the_visit_was_closed_opens_it_again(tmp_path):
    path = scripted_visits.visit(tmp_path)
    assert summary_of(path).closed
    with Record.open(path) as record:
        said = next(entry.body for entry in record.entries() if entry.kind == "said")
        record.append([("said", said), ("emergency", {"why": "fire", "step": "told", "kind": "fire"})])
    summary = summary_of(path)
    assert (summary.closed, summary.ending, summary.gas) == (False, Ending(), "unknown")
    assert len(summary.emergencies) == 1


def test_the_fold_is_the_same_however_often_it_is_made(tmp_path):
    path = scripted_visits.visit(tmp_path, scripted_visits.EVENTFUL)
    assert summary_of(path) == summary_of(path)


def test_entries_of_unknown_kinds_change_nothing(tmp_path):
    path = scripted_visits.visit(tmp_path, most=30)
    with Record.open(path, read_only=True) as record:
        entries = list(record.entries())
    strange = list(entries)
    strange.insert(len(strange) - 1, replace(entries[-1], kind="of-a-later-version", body={"what": 1}))
    assert summarize(strange).readings == summarize(entries).readings


def test_a_record_without_a_visit_is_one_sentence(tmp_path):
    Record.create(tmp_path / "visit.sqlite").close()
    with pytest.raises(Problem, match="start a new one"):
        summary_of(tmp_path / "visit.sqlite")


def test_a_name_that_is_no_word_of_the_grammar_is_only_on_its_recording():
    assert Recording("1.flac", "", "pat [unk]", "").understood == ""
    assert Recording("1.flac", "", "no access", "").understood == "no access"
