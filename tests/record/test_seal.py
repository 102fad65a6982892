"""A finished visit is sealed whole, and its recordings can be erased without breaking the proof."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from doubles import TestClock
from scripted_ears import Person, open_visit

from assistant.errors import Problem
from assistant.record import seal
from assistant.record.chain import verify_entries
from assistant.record.record import END, Record, audio_of, seal_of


def work(path: Path, sayings: int = 6) -> None:
    """A visit that is left after some sayings."""
    visit = open_visit(path, Person(most=sayings), clock=TestClock())
    visit.run()
    visit.record.close()


def sealed_at(path: Path) -> None:
    work(path)
    with Record.open(path, clock=TestClock()) as record:
        record.append([("closed", {}), (END, {})])
        seal.seal(record)


@pytest.fixture
def sealed(tmp_path):
    path = tmp_path / "visit.sqlite"
    sealed_at(path)
    return path


def test_a_visit_worked_to_its_end_can_be_sealed_and_is_sound(tmp_path):
    path = tmp_path / "visit.sqlite"
    visit = open_visit(path, Person(), clock=TestClock())
    assert visit.run()
    head = visit.record.head
    seal.seal(visit.record)
    visit.record.close()
    checked = seal.check(path, head[:8])
    assert checked.problems == []
    assert checked.sealed
    assert checked.head == head
    assert checked.recordings == len(list(audio_of(path).iterdir())) > 50
    with Record.open(path, read_only=True) as record:
        chain = [*record.rows(), *seal.sealed_rows(path)]
        totals = list(record.entries())[-1].body
    assert verify_entries(chain) == []
    assert totals["entries"] == len(chain) - 2
    assert totals["recordings"] == checked.recordings


def test_a_visit_that_has_not_ended_is_not_sealed(tmp_path):
    work(tmp_path / "visit.sqlite")
    with Record.open(tmp_path / "visit.sqlite") as record, pytest.raises(Problem, match="has not ended"):
        seal.seal(record)


def test_a_visit_that_an_emergency_opened_again_is_not_sealed(tmp_path):
    work(tmp_path / "visit.sqlite")
    with Record.open(tmp_path / "visit.sqlite") as record:
        record.append([("closed", {}), ("said", {}), ("emergency", {})])
        with pytest.raises(Problem, match="has not ended"):
            seal.seal(record)


def test_a_sealed_record_opens_for_reading_only_and_is_left_as_it_is(sealed):
    before = {path.name: path.read_bytes() for path in sealed.parent.iterdir() if path.is_file()}
    with pytest.raises(Problem, match="finished and sealed"):
        Record.open(sealed)
    with Record.open(sealed, read_only=True) as record:
        assert record.verify() == []
    assert seal.check(sealed).problems == []
    assert {path.name: path.read_bytes() for path in sealed.parent.iterdir() if path.is_file()} == before


def test_a_recording_that_is_changed_missing_or_added_is_named(sealed):
    folder = audio_of(sealed)
    (folder / "0002.flac").unlink()
    (folder / "0003.flac").write_bytes((folder / "0001.flac").read_bytes())
    (folder / "0099.flac").write_bytes(b"more")
    assert seal.check(sealed).problems == [
        "The recording 0002.flac is missing.",
        "The recording 0003.flac is not what was recorded.",
        "The recording 0099.flac was added: no entry names it.",
    ]


def test_recordings_are_checked_before_the_seal_too(tmp_path):
    path = tmp_path / "visit.sqlite"
    work(path)
    assert seal.check(path).problems == []
    (audio_of(path) / "0002.flac").write_bytes(b"other")
    assert seal.check(path).problems == ["The recording 0002.flac is not what was recorded."]


def test_a_row_changed_in_a_sealed_file_is_named_and_so_is_the_file(sealed):
    with sqlite3.connect(sealed) as db:
        db.execute("DROP TRIGGER entry_is_never_changed")
        db.execute("UPDATE entry SET kind = 'other' WHERE seq = 3")
    db.close()
    found = seal.check(sealed).problems
    assert found[0] == "Entry 3 is not what was recorded: its hash does not match."
    assert found[1].startswith("The file visit.sqlite is not the one that was sealed")


def test_a_log_put_beside_a_sealed_file_is_named_and_not_read(sealed):
    Path(f"{sealed}-wal").write_bytes(b"more")
    assert seal.check(sealed).problems == ["The file visit.sqlite-wal was added after the visit was sealed."]


@pytest.mark.parametrize("change", [b"", b"{}\n", b'{"seq":1}\n', b"\xff\xfe\n"])
def test_a_seal_that_is_none_is_told(sealed, change):
    seal_of(sealed).write_bytes(change)
    assert "The seal visit.seal.jsonl is not what was written." in seal.check(sealed).problems


def test_a_seal_in_other_words_is_not_the_seal(sealed):
    text = seal_of(sealed).read_text(encoding="utf-8")
    seal_of(sealed).write_text(text.replace('"bytes":', '"bytes": '), encoding="utf-8")
    assert "The seal visit.seal.jsonl is not what was written." in seal.check(sealed).problems


def test_erased_recordings_of_a_sealed_visit_leave_the_proof_whole(sealed):
    record_before, names = sealed.read_bytes(), sorted(p.name for p in audio_of(sealed).iterdir())
    assert seal.erase_audio(sealed, "asked for", TestClock("2026-03-01T08:00:00.000Z")) == names
    assert list(audio_of(sealed).iterdir()) == []
    assert sealed.read_bytes() == record_before
    checked = seal.check(sealed)
    assert checked.problems == []
    assert checked.recordings == 0
    (erasure,) = checked.erasures
    assert (sorted(erasure.files), erasure.utc) == (names, "2026-03-01T08:00:00.000Z")
    with Record.open(sealed, read_only=True) as record:
        assert verify_entries([*record.rows(), *seal.sealed_rows(sealed)]) == []
    assert seal.erase_audio(sealed, "asked for") == []  # nothing is left, and nothing is written


def test_an_erasure_that_was_cut_off_is_told_and_finished_by_the_next(sealed, monkeypatch):
    monkeypatch.setattr(seal, "_remove", lambda sounds: None)
    seal.erase_audio(sealed, "asked for")
    monkeypatch.undo()
    assert "erase it again" in seal.check(sealed).problems[0]
    seal.erase_audio(sealed, "asked for")
    assert seal.check(sealed).problems == []


def test_erasing_before_the_end_is_an_entry_of_the_record_and_the_visit_goes_on(tmp_path):
    path = tmp_path / "visit.sqlite"
    work(path)
    names = seal.erase_audio(path, "asked for")
    assert len(names) == 6
    assert seal.check(path).problems == []
    visit = open_visit(path, Person(), clock=TestClock())
    assert visit.run()
    seal.seal(visit.record)
    visit.record.close()
    checked = seal.check(path)
    assert checked.problems == []
    assert sorted(checked.erasures[0].files) == names
    assert "0007.flac" in {sound.name for sound in audio_of(path).iterdir()}  # the numbers go on


def test_nothing_is_erased_while_the_visit_is_worked(tmp_path):
    path = tmp_path / "visit.sqlite"
    work(path)
    with Record.open(path), pytest.raises(Problem, match="another process"):
        seal.erase_audio(path, "asked for")
    assert len(list(audio_of(path).iterdir())) == 6


def test_the_track_of_the_whole_visit_is_sealed_and_erased_with_the_rest(tmp_path):
    path = tmp_path / "visit.sqlite"
    work(path)
    path.with_suffix(".flac").write_bytes(b"the whole visit")
    with Record.open(path, clock=TestClock()) as record:
        record.append([("closed", {}), (END, {})])
        seal.seal(record)
    assert seal.check(path).problems == []
    path.with_suffix(".flac").write_bytes(b"another visit")
    assert seal.check(path).problems == ["The recording visit.flac is not what was recorded."]
    assert "visit.flac" in seal.erase_audio(path, "asked for")
    assert seal.check(path).problems == []
