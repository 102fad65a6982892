"""The commands for a record, as people type them."""

from __future__ import annotations

import json
import shutil
import sqlite3
from datetime import UTC, datetime, timedelta

import pytest
import scripted_visits
from doubles import TestClock
from scripted_ears import Person, open_visit
from scripted_visits import EVENTFUL

from assistant.files import TRADE_DATA, top_folder
from assistant.record import seal
from assistant.record.record import SCHEMA_VERSION, Record, audio_of
from assistant.review.store.folder import FolderStore
from assistant.review.store.parcel import from_record
from assistant.review.store.store import Store
from assistant.review.web.shop import Review

JOB = top_folder("audio_fixtures") / "visits" / "hot-surface.job.yaml"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made")
    path = folder / "visit.sqlite"
    whole = {step: said for step, said in EVENTFUL.items() if step != "inlet-running"}  # no notice: it may be erased
    visit = open_visit(path, Person(whole), clock=TestClock())
    assert visit.run()
    seal.seal(visit.record)
    visit.record.close()
    return folder


@pytest.fixture
def folder(made, tmp_path):
    return shutil.copytree(made, tmp_path / "visit")


ERASER = ("--by", "Sam Poe", "--why", "asked for")


def sign(visit, folder=None, standing="signed off"):
    """Somebody looks the visit through on the page."""
    shop = FolderStore(folder or visit.parent)
    kept = shop.visit(visit.name)
    shop.add_review(visit.name, Review("2026-02-01T10:00:00.000Z", "Sam", standing, "", kept.head, len(kept.entries)))


def test_a_sound_record_is_verified_against_the_head_that_was_noted(run, folder):
    with Record.open(folder / "visit.sqlite", read_only=True) as record:
        head = record.head
    status, out, err = run("record", "verify", folder, "--head", head[:8].upper())
    assert (status, err) == (0, "")
    assert "Everything is as it was recorded." in out
    assert head in out.replace("\n", "")
    status, _, err = run("record", "verify", folder, "--head", "0123456789")
    assert status == 2
    assert "witnessed head 0123456789" in err


@pytest.mark.parametrize("head", ["abc", "not a head at all"])
def test_a_head_that_is_none(run, folder, head):
    status, _, err = run("record", "verify", folder, "--head", head)
    assert status == 2
    assert "is no head" in err
    assert err.count("\n") == 1


def test_a_changed_file_is_told(run, folder):
    content = bytearray((folder / "visit.sqlite").read_bytes())
    content[-100] ^= 1
    (folder / "visit.sqlite").write_bytes(content)
    status, _, err = run("record", "verify", folder)
    assert status == 2
    assert "is not the one that was sealed" in err
    assert "Traceback" not in err


def test_verify_says_what_it_shows_and_what_it_does_not(run, folder, tmp_path):
    store = tmp_path / "shop.sqlite"
    status, out, _ = run("record", "verify", folder)
    assert (status, "Not witnessed" in out, "fit each other" in out) == (0, True, True)
    assert "Everything is as it was recorded" not in out
    with Store.open(str(store), make=True) as shop:
        shop.receive(from_record(folder / "visit.sqlite"))
    status, out, _ = run("record", "verify", folder, "--store", store)
    assert (status, "Witnessed by the shop on" in out) == (0, True)
    assert "Everything is as it was recorded" in out
    (folder / "visit.seal.jsonl").unlink()
    status, out, err = run("record", "verify", folder)
    assert status == 1
    assert "has ended and has no seal" in err
    assert "as it was recorded" not in out
    status, _, err = run("record", "verify", folder, "--store", store)
    assert status == 2
    assert "its end was cut off" in err


def test_export(run, folder, tmp_path):
    status, out, _ = run("record", "export", folder)
    lines = [json.loads(line) for line in out.splitlines()]
    assert status == 0
    assert [line["seq"] for line in lines] == list(range(1, len(lines) + 1))
    assert lines[-1]["kind"] == "sealed"
    status, _, _ = run("record", "export", folder, "--format", "csv", "--out", tmp_path / "readings.csv")
    text = (tmp_path / "readings.csv").read_text(encoding="utf-8")
    assert text.startswith("seq,utc,step,")
    assert "igniter-resistance,62" in text
    status, _, err = run("record", "export", folder, "--out", tmp_path / "nowhere" / "x.jsonl")
    assert "nowhere" in err


def test_erasing_is_proved(run, folder):
    names = sorted(sound.name for sound in audio_of(folder / "visit.sqlite").iterdir())
    sign(folder)
    status, out, _ = run("record", "erase-audio", folder, *ERASER)
    assert (status, f"{len(names)} recordings erased" in out.replace("\n", " ")) == (0, True)
    status, out, err = run("record", "verify", folder)
    assert (status, err) == (0, "")
    assert f"by Sam Poe, asked for: {len(names)} recordings (0001.flac to {names[-1]})" in out


def test_every_copy_of_the_sound_is_erased(run, folder, tmp_path):
    elsewhere = tmp_path / "elsewhere" / "to-leave.html"
    elsewhere.parent.mkdir()
    assert run("report", folder)[0] == run("report", folder, "--html", elsewhere)[0] == 0
    reports = (folder / "report.html", elsewhere)
    assert all(b"data:audio/" in report.read_bytes() for report in reports)
    sign(folder)
    assert run("record", "erase-audio", folder, *ERASER)[0] == 0
    for report in reports:
        assert b"data:audio/" not in report.read_bytes()
        assert "is not in this report" in report.read_text(encoding="utf-8")


def test_an_erasure_that_was_cut_off_before_the_reports_is_finished(run, folder):
    assert run("report", folder)[0] == 0
    seal.erase_audio(folder / "visit.sqlite", "asked for", by="Sam Poe")
    assert b"data:audio/" in (folder / "report.html").read_bytes()
    assert run("record", "erase-audio", folder, *ERASER)[0] == 0
    assert b"data:audio/" not in (folder / "report.html").read_bytes()


@pytest.mark.parametrize(
    ("standing", "why"), [("", "nobody has reviewed"), ("disputed", "is disputed"), ("returned", "was returned")]
)
def test_what_may_be_needed_is_not_erased(run, folder, standing, why):
    if standing:
        sign(folder, standing=standing)
    status, _, err = run("record", "erase-audio", folder, *ERASER)
    assert (status, why in err) == (2, True)
    assert list(audio_of(folder / "visit.sqlite").iterdir())


def test_the_sound_of_an_unsafe_visit_is_not_erased(run, tmp_path):
    script = {"line": ["i smell gas"], "line emergency": ["no"] * 60}
    path = scripted_visits.visit(tmp_path / "visit", script, most=40)
    sign(path.parent)
    status, _, err = run("record", "erase-audio", path, *ERASER)
    assert (status, "something unsafe" in err) == (2, True)
    assert run("record", "erase-audio", path, "--by", "Sam Poe")[0] == 2  # no reason


def test_only_what_is_old_is_erased_in_a_folder_of_visits(run, made, tmp_path):
    shutil.copytree(made, tmp_path / "old")  # its clock says January 2026
    visit = open_visit(tmp_path / "visit.sqlite", Person(most=3), clock=TestClock(_ago(days=3)))
    visit.run()
    visit.record.close()
    (tmp_path / "young").mkdir()
    for name in ("visit.sqlite", "visit.audio"):
        shutil.move(tmp_path / name, tmp_path / "young")
    status, _, err = run("record", "erase-audio", tmp_path, *ERASER)
    assert status == 2
    assert "holds 2 visits" in err
    sign(tmp_path / "old", tmp_path)
    assert run("record", "erase-audio", tmp_path, "--older-than", 30, "--by", "Sam Poe")[0] == 0
    assert not list((tmp_path / "old" / "visit.audio").iterdir())
    assert len(list((tmp_path / "young" / "visit.audio").iterdir())) == 3


def _ago(days):
    moment = datetime.now(UTC) - timedelta(days=days)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def test_a_sealed_visit_is_not_sealed_again(run, folder):
    status, _, err = run("record", "seal", folder)
    assert status == 2
    assert "finished and sealed" in err


def test_judging_again_by_the_same_limits_and_job_prints_no_difference(run, folder):
    status, out, err = run("replay", folder, "--limits", TRADE_DATA / "limits.yaml", "--job", JOB)
    assert (status, err) == (0, "")
    assert "0 turns would be decided otherwise" in out


def test_judging_again_by_other_limits_and_job_prints_what_would_differ(run, folder, tmp_path):
    text = JOB.read_text(encoding="utf-8")
    (tmp_path / "job.yaml").write_text(text.replace("{low: 45, high: 90, unit: ohm}", "{low: 45, high: 50, unit: ohm}"))
    status, out, _ = run("replay", folder, "--job", tmp_path / "job.yaml")
    assert status == 1
    assert "would be decided" in out
    (tmp_path / "limits.yaml").write_text("ambient-co: 3\n")
    status, _, err = run("replay", folder, "--limits", tmp_path / "limits.yaml")
    assert status == 2
    assert "limits.yaml" in err
    assert "Traceback" not in err


def test_judging_again_with_the_bundled_model_hears_the_recordings(run, tmp_path):
    """The recordings are tones: nothing is heard in them."""
    visit = open_visit(tmp_path / "visit.sqlite", Person(EVENTFUL, most=12))
    visit.run()
    visit.record.close()
    status, out, _ = run("replay", tmp_path, "--model", "field_model")
    assert status == 1
    assert "would be decided" in out


def test_another_model_or_grammar_that_is_not_there(run, folder, tmp_path):
    assert run("replay", folder, "--model", "no-such-model")[0] == 2
    status, _, err = run("replay", folder, "--grammar", tmp_path)
    assert status == 2
    assert "holds no grammars" in err
    assert run("replay", folder, "--grammar", top_folder("grammars"))[0] == 0


def test_a_record_of_a_newer_version_is_verified_exported_and_never_written(run, folder):
    """A newer program may have kinds, keys and rules that are not known here."""
    path = folder / "visit.sqlite"
    (folder / "visit.seal.jsonl").unlink()
    with sqlite3.connect(path) as db:
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    db.close()
    before = path.read_bytes()
    assert run("record", "verify", folder)[0] == 1  # its seal is gone
    assert run("record", "export", folder, "--format", "csv")[0] == 0
    assert run("replay", folder)[0] == 0
    sign(folder)
    status, _, err = run("record", "erase-audio", folder, *ERASER)
    assert status == 2
    assert "newer version" in err
    assert list(audio_of(path).iterdir())
    assert path.read_bytes() == before


def test_rules_of_another_version_are_told_in_one_sentence(run, tmp_path):
    path = tmp_path / "visit.sqlite"
    with Record.create(path, TestClock()) as record:
        record.append([("visit", {"procedure": {"name": "of tomorrow"}}), ("said", {})])
    status, _, err = run("replay", path)
    assert status == 2
    assert "can be verified and exported here" in err
    assert err.count("\n") == 1
    assert run("record", "verify", path)[0] == 1  # it has not ended
