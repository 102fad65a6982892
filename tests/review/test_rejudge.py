"""Judging a visit again: other limits, another job, other grammars, other hearing; and playing it."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from doubles import ScriptedPlayer, ScriptedVoice, TestClock
from scripted_ears import Person, open_visit
from scripted_visits import EVENTFUL

from assistant.errors import Problem
from assistant.language.heard import Heard
from assistant.record.chain import from_line, verify_entries, verify_head
from assistant.record.record import Record, audio_of
from assistant.record.setting import setting_of
from assistant.record.story import story_of
from assistant.review import aloud
from assistant.review.export import COLUMNS, readings_csv, to_jsonl
from assistant.review.rejudge import rejudge


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """A visit left in the middle, with a correction and a refused value."""
    path = tmp_path_factory.mktemp("visit") / "visit.sqlite"
    visit = open_visit(path, Person(EVENTFUL, most=50), clock=TestClock())
    visit.run()
    visit.record.close()
    return path


@pytest.fixture
def record(path):
    with Record.open(path, read_only=True) as record:
        yield record


def test_the_same_rules_make_no_difference(record):
    setting = setting_of(record)
    assert list(rejudge(record.entries(), setting, setting)) == []


def test_other_limits_are_seen_in_each_reading_that_they_judge(record):
    then = setting_of(record)
    limit = then.rules.limits["ambient-co"].model_copy(update={"high": Decimal(2), "caution": None})
    now = then.with_({"limits": {**then.rules.limits, "ambient-co": limit}}, None)
    found = list(rejudge(record.entries(), then, now))
    taken = [d for d in found if d.then.startswith("ambient-co 3 ppm: pass")]
    assert [d.now for d in taken] == [taken[0].now]
    assert "ambient-co 3 ppm: fail" in taken[0].now
    assert not any("igniter" in d.then for d in found)


def test_another_plate_value_is_another_verdict(record):
    then = setting_of(record)
    job = then.rules.job
    plate = {
        **job.plate,
        "igniter-resistance": job.plate["igniter-resistance"].model_copy(update={"high": Decimal(50)}),
    }
    now = then.with_({"job": job.model_copy(update={"plate": plate})}, None)
    (turn,) = [d for d in rejudge(record.entries(), then, now) if "igniter-resistance 62" in d.then]
    assert turn.heard == turn.heard_now == "sixty two ohms"
    assert "fail" in turn.now
    assert "pass" in turn.then


def test_only_the_source_of_a_limit_differs(record):
    then = setting_of(record)
    limit = then.rules.limits["ambient-co"]
    source = limit.source.model_copy(update={"text": "another book"})
    limit = limit.model_copy(update={"source": source})
    now = then.with_({"limits": {**then.rules.limits, "ambient-co": limit}}, None)
    found = list(rejudge(record.entries(), then, now))
    assert found
    assert all("another book" in d.now and "another book" not in d.then for d in found)


def test_other_hearing_is_told_with_its_words(record):
    setting = setting_of(record)

    def hear(name, question):
        return Heard("sixty eight ohms" if question.name == "igniter-cold-left" else "yes") if "00" in name else None

    found = [d for d in rejudge(record.entries(), setting, setting, hear) if d.heard == "sixty two ohms"]
    assert [d.heard_now for d in found] == ["sixty eight ohms"]
    assert "68 ohm" in found[0].now


def test_words_that_mean_the_same_are_no_other_decision(record):
    setting = setting_of(record)
    texts = {"sixty two ohms": "sixty two", "no": "negative"}

    def hear(name, question):
        said = next(e for e in entries if e.kind == "said" and e.body["audio"] == name)
        text = said.body["heard"]["text"]
        return Heard(texts.get(text, text))

    entries = list(record.entries())
    found = list(rejudge(entries, setting, setting, hear))
    assert [d for d in found if d.words_only]
    assert all(d.then == d.now == "" for d in found if d.words_only)
    assert {d.heard for d in found} <= set(texts)


def test_other_grammars(record):
    then = setting_of(record)
    grammars = {name: text.replace("affirm", "indeed") for name, text in then.grammars.items()}
    assert list(rejudge(record.entries(), then, replace(then, grammars=grammars))) == []
    with pytest.raises(Problem):
        replace(then, grammars={"bad.jsgf": "public <x = ;"}).dialogue()


# aloud


def test_played_aloud_in_the_order_it_was(record):
    player, voice, shown, waits = ScriptedPlayer(), ScriptedVoice(), [], []
    absent = aloud.play(record, voice, player, shown.append, waits.append)
    entries = list(record.entries())
    played = [p["text"] for e in entries if e.kind == "voiced" for p in e.body["played"]]
    said = [e for e in entries if e.kind == "said"]
    assert voice.rendered == played
    assert len(player.played) == len(played) + len(said) - absent
    assert len(waits) == len(said)
    assert all(wait == pytest.approx(1.0) for wait in waits)
    assert len(shown) == sum(e.kind in ("opened", "said", "voiced", "quiet") for e in entries)


def test_played_fast_does_not_wait_and_erased_recordings_are_counted(record, path, tmp_path):
    copy = tmp_path / "visit.sqlite"
    copy.write_bytes(path.read_bytes())
    audio_of(copy).mkdir()
    with Record.open(copy, read_only=True) as other:
        said = sum(e.kind == "said" for e in other.entries())
        assert aloud.play(other, ScriptedVoice(), ScriptedPlayer(), lambda turn: None, None) == said


def test_a_loudspeaker_that_fails_is_one_sentence(record):
    with pytest.raises(Problem, match="cannot be played"):
        aloud.play(record, ScriptedVoice(), ScriptedPlayer(["lost"]), lambda turn: None, None)


# export


def test_every_entry_is_exported_and_can_be_checked(record):
    rows = [from_line(line) for line in to_jsonl(record.rows()).splitlines()]
    assert rows == list(record.rows())
    assert [*verify_entries(rows), *verify_head(rows, record.head)] == []


def test_readings_are_exported_with_limit_source_and_what_was_taken_back(record):
    import csv
    import io

    table = list(csv.DictReader(io.StringIO(readings_csv(story_of(record.entries())))))
    assert tuple(table[0]) == COLUMNS
    by = {(row["quantity"], row["value"]): row for row in table}
    assert by["igniter-voltage", "160"]["taken_back"] == "True"
    assert by["igniter-voltage", "121"]["taken_back"] == "False"
    resistance = by["igniter-resistance", "62"]
    assert (resistance["judged"], resistance["limit_low"], resistance["limit_high"]) == ("61.7", "45", "90")
    assert resistance["limit_authority"] == "plate"
    assert resistance["limit_source"].startswith("published")
    # The recording is that of the value, not of the yes that confirmed it.
    said = {e.body["audio"]: e.body["heard"]["text"] for e in record.entries() if e.kind == "said"}
    assert said[by["igniter-voltage", "160"]["audio"]] == "one sixty volts"
