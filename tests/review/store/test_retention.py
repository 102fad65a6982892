"""What a shop no longer keeps, and what it keeps all the same."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import scripted_visits
from sqlalchemy import text
from typer.testing import CliRunner

from assistant.cli.commands import build
from assistant.errors import Problem
from assistant.record.chain import Entry, verify_entries
from assistant.record.record import Record
from assistant.record.seal import seal
from assistant.review.store.parcel import from_record
from assistant.review.store.retention import Due, carry_out, due
from assistant.review.store.store import Store
from assistant.review.web.shop import Review, Search, Standing

NEVER = "2020-01-01"
TIMES = {"old": "2024-01-05T09:00:00.000Z", "newer": "2025-01-05T09:00:00.000Z", "newest": "2026-01-05T09:00:00.000Z"}


@pytest.fixture(scope="module")
def visits(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("visits")
    made = {name: scripted_visits.visit(folder / name, utc=utc, most=14) for name, utc in TIMES.items()}
    script = {"line": ["i smell gas"], "line emergency": ["no"] * 60}
    made["gas"] = scripted_visits.visit(folder / "gas", script, utc="2024-02-05T09:00:00.000Z", most=40)
    return made


def signed(store: Store, path: Path, standing: Standing = "signed off") -> str:
    """Sends a visit and reviews it; its name."""
    parcel = from_record(path)
    store.receive(parcel)
    kept = store.visit(parcel.id)
    assert kept
    store.add_review(
        parcel.id, Review("2026-02-02T10:00:00.000Z", "Pat", standing, "why", kept.head, len(kept.entries))
    )
    return parcel.id


def all_due(store: Store, audio_before: str = NEVER, records_before: str = NEVER) -> dict[str, Due]:
    return {each.visit: each for each in due(store, audio_before, records_before)}


def test_recordings_are_erased_and_their_visit_stays(store: Store, visits: dict[str, Path]) -> None:
    old, newer = signed(store, visits["old"]), signed(store, visits["newer"])
    found = all_due(store, audio_before="2025-01-01")
    assert list(found) == [old]
    assert (found[old].whole, found[old].kept, found[old].recordings) == (False, "", 14)
    assert found[old].size > 1000
    assert store.recording(old, "0001.flac")  # so far it was only said
    carry_out(store, found[old], "Kim Roe", "old")
    assert store.recording(old, "0001.flac") is None
    assert store.recording(newer, "0001.flac")
    kept = store.visit(old)
    assert kept
    assert not kept.problems
    assert kept.standing == "signed off"
    assert store.warnings() == []
    assert not all_due(store, audio_before="2025-01-01")
    assert store.receive(from_record(visits["old"])) == "there already"
    assert store.recording(old, "0001.flac") is None  # sending again does not bring it back
    with store._asked() as connection:
        body = connection.scalar(text("SELECT body FROM lodged WHERE kind = 'audio-erased'"))
    assert '"by":"Kim Roe"' in str(body)
    assert '"0001.flac":' in str(body)


def test_a_visit_is_removed_whole_and_does_not_come_back(store: Store, visits: dict[str, Path]) -> None:
    old, newer = signed(store, visits["old"]), signed(store, visits["newer"])
    (found,) = due(store, NEVER, "2025-01-01")
    assert (found.visit, found.whole) == (old, True)
    carry_out(store, found, "Kim Roe", "old")
    assert store.ids() == [newer]
    assert [each.visit for each in store.visits(Search(), 0, 9)] == [newer]
    with pytest.raises(Problem, match="was removed from the store on"):
        store.receive(from_record(visits["old"]))
    with store._asked() as connection:
        log = [Entry(*row[:7]) for row in connection.execute(text("SELECT * FROM lodged ORDER BY seq"))]
        left = connection.scalar(text("SELECT count(*) FROM entry WHERE seq = 1"))
    assert left == 1
    assert [row.kind for row in log] == ["lodged", "lodged", "visit-removed"]
    assert from_record(visits["old"]).rows[-1].hash in log[-1].text
    assert verify_entries(log) == []
    # What is there is protected as before.
    for table in ("entry", "review", "lodged"):
        with pytest.raises(Problem, match="never changed"), store._asked(write=True) as connection:
            connection.execute(text(f"DELETE FROM {table}"))


def test_what_may_be_needed_is_kept(store: Store, visits: dict[str, Path]) -> None:
    store.receive(from_record(visits["old"]))
    disputed, gas = signed(store, visits["newer"], "disputed"), signed(store, visits["gas"])
    newest = signed(store, visits["newest"])
    with store._asked(write=True) as connection:
        connection.execute(text("UPDATE visit SET outside = 9 WHERE id = :id"), {"id": newest})
    found = all_due(store, "2026-11-01", "2026-11-01")
    assert {each.kept for each in found.values()} == {
        "nobody has reviewed it",
        "it is disputed",
        "it is a visit with something unsafe",
        "it is not as it was recorded",
    }
    assert found[disputed].kept == "it is disputed"
    assert found[gas].kept == "it is a visit with something unsafe"


def test_a_sign_off_that_lapsed_keeps_it(store: Store, visits: dict[str, Path], tmp_path: Path) -> None:
    path = scripted_visits.visit(tmp_path / "v", utc=TIMES["old"], most=10)
    visit = signed(store, path)
    with Record.open(path) as record:
        record.append([("closed", {}), ("end", {"entries": 0})])
        seal(record)
    store.receive(from_record(path))
    assert all_due(store, audio_before="2026-01-01")[visit].kept.startswith("its sign-off has lapsed")


def test_the_command_says_before_it_erases(visits: dict[str, Path], tmp_path: Path) -> None:
    where = str(tmp_path / "shop.sqlite")
    recent = (datetime.now(UTC) - timedelta(days=89)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    with Store.open(where, make=True) as store:
        old, gas = signed(store, visits["old"]), signed(store, visits["gas"])
        kept = signed(store, scripted_visits.visit(tmp_path / "recent", utc=recent, most=5))

    def run(*arguments: str, status: int = 0) -> str:
        done = CliRunner().invoke(build(), ["shop", "retention", *arguments, "--store", where])
        assert done.exit_code == status, done.output
        return " ".join(done.output.split()) or str(done.exception)

    said = run()
    assert "2024-01-05 14 Example Lane, basement (invented): 14 recordings (0.0 MB)" in said
    assert "kept, it is a visit with something unsafe" in said
    assert "Would be erased: 0 visits, and the recordings of 1 more. Kept all the same: 1." in said
    assert "Say who erases" in run("--erase", status=1)
    with Store.open(where) as store:
        assert store.recording(old, "0001.flac")
    assert "Erased: 0 visits, and the recordings of 1 more." in run("--erase", "--by", "Kim Roe")
    assert "Would be erased: 0 visits, and the recordings of 0 more." in run()
    assert "Would be erased: 0 visits, and the recordings of 1 more." in run("--audio-days", "80")
    assert "Erased: 1 visits, and the recordings of 0 more." in run("--record-years", "1", "--erase", "--by", "Kim Roe")
    with Store.open(where) as store:
        assert set(store.ids()) == {gas, kept}
