"""Earlier visits to the same appliance are read from the records beside."""

from __future__ import annotations

from decimal import Decimal

import scripted_visits

from assistant.record import earlier
from assistant.record.earlier import history, pace_for
from assistant.record.entries import of
from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.record.setting import Setting, setting_of
from assistant.record.story import story_of
from assistant.trade.history import History

UTC = "2026-01-05T09:00:00.000Z"


def test_only_earlier_visits_to_the_same_appliance_and_what_stood_at_their_end(tmp_path):
    corrected = {"flame": ["two point eight microamps"], "flame-look": ["correction", "two point six microamps"]}
    scripted_visits.visit(tmp_path / "a", corrected, utc="2024-01-05T09:00:00.000Z")
    scripted_visits.visit(tmp_path / "b", {"flame": ["two point four microamps"]}, utc="2025-01-05T09:00:00.000Z")
    elsewhere = scripted_visits.demo_job().model_copy(update={"site": "another"})
    scripted_visits.visit(tmp_path / "c", {}, elsewhere, utc="2025-02-05T09:00:00.000Z")
    scripted_visits.visit(tmp_path / "d", utc="2027-01-05T09:00:00.000Z")
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "visit.sqlite").write_bytes(b"not a record")
    before = history(tmp_path, scripted_visits.demo_job(), UTC)
    assert before.date == "2026-01-05"
    assert [(each.date, each.value, each.days_ago) for each in before.of("flame-signal")] == [
        ("2024-01-05", Decimal("2.6"), 731),
        ("2025-01-05", Decimal("2.4"), 365),
    ]
    assert [each.value for each in before.of("temperature-rise")] == [Decimal(52)] * 2
    assert before.of("rod-to-ground") == ()  # it read open: no figure
    assert history(tmp_path / "none", scripted_visits.demo_job(), UTC) == History(date="2026-01-05")


def test_of_other_appliances_and_technicians_only_the_first_entry_is_read(tmp_path, monkeypatch):
    job = scripted_visits.demo_job()
    robin = job.technician.model_copy(update={"name": "Robin Poe"})
    others = {"a": {"site": "another"}, "b": {"site": "a third"}, "c": {"technician": robin}}
    for name, other in others.items():
        scripted_visits.visit(tmp_path / name, {}, job.model_copy(update=other), "2025-01-05T09:00:00.000Z", most=2)
    read = []
    monkeypatch.setattr(earlier, "story_of", lambda entries: read.append(story_of(entries)) or read[-1])
    assert {each.quantity for each in history(tmp_path, job, UTC).earlier} <= {"ambient-co"}
    assert [story.rules.job.technician.name for story in read] == ["Robin Poe"]
    read.clear()
    assert pace_for(tmp_path, job) == "full"
    assert sorted(story.rules.job.site for story in read) == ["a third", "another"]


def test_the_history_is_in_the_record_so_that_a_resumed_visit_says_the_same(tmp_path):
    scripted_visits.visit(tmp_path / "a", {"flame": ["two point eight microamps"]}, utc="2025-01-05T09:00:00.000Z")
    before = history(tmp_path, scripted_visits.demo_job(), UTC)
    now = scripted_visits.visit(tmp_path / "b", history=before)
    for path in (tmp_path / "a").iterdir():  # the fold needs no other record
        if path.is_file():
            path.unlink()
    with Record.open(now, read_only=True) as record:
        assert setting_of(record).rules.history == before
        compared = [e.body for e in record.entries() if e.kind == "compared" and e.body["quantity"] == "flame-signal"]
        assert compared[0]["earlier"] == [["2025-01-05", "2.8"]]
        assert all(turn.same for turn in turns(record))


def test_a_record_without_history_is_read():
    body = Setting(scripted_visits.library().rules_for(scripted_visits.demo_job()), {}, "x", "y").to_body()
    del body["history"]
    assert Setting.of(of("visit", body)).rules.history == History()
