"""What somebody who can write the files, or the store, can do, and what each check says of it."""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from urllib.parse import quote

import pytest
import scripted_visits
from starlette.testclient import TestClient
from typer.testing import CliRunner

from assistant.cli.commands import build
from assistant.cli.page import hosts_for
from assistant.cli.replay import replay
from assistant.errors import Problem
from assistant.record.chain import Entry, canonical_json, chained, to_line
from assistant.record.folder import all_in
from assistant.record.record import END, Record, audio_of, seal_of
from assistant.record.seal import NO_END, NO_SEAL, check, seal
from assistant.review.report import page as report_page
from assistant.review.store import copies
from assistant.review.store import folder as folder_store
from assistant.review.store.folder import REVIEWS, FolderStore
from assistant.review.store.parcel import from_record, urgency
from assistant.review.store.store import Store
from assistant.review.web.app import create_app
from assistant.review.web.guard import Guard
from assistant.review.web.shop import Kept, Review, Search


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short visit, ended and sealed; not to be changed."""
    real = scripted_visits.demo_job().model_copy(update={"invented": False})  # what is invented is not taken in
    path = scripted_visits.visit(tmp_path_factory.mktemp("made") / "visit", job=real, most=14)
    with Record.open(path) as record:
        record.append([("closed", {}), (END, {"entries": 0})])
        seal(record)
    return path


@pytest.fixture
def path(made: Path, tmp_path: Path) -> Path:
    return copied(made, tmp_path / "out" / "visit")


def copied(visit: Path, to: Path) -> Path:
    shutil.copytree(visit.parent, to)
    return to / visit.name


def rows_of(path: Path) -> list[Entry]:
    with Record.open(path, read_only=True) as record:
        return list(record.rows())


def rewrite(path: Path, rows: Sequence[Entry]) -> None:
    """Writes a record anew with these rows, whatever they are."""
    path.unlink()
    Record.create(path).close()
    with sqlite3.connect(path) as file:
        file.executemany("INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
    file.close()


def chain_of(pairs: Sequence[tuple[str, str]], utc: str = "2026-01-05T09:00:00.000Z") -> list[Entry]:
    """A sound chain of entries of these kinds and bodies."""
    return list(chained((0, "0" * 64), pairs, utc, 1.0))


# --- what is done to a visit in a folder


def change_a_row(path: Path) -> None:
    with sqlite3.connect(path) as file:
        file.execute("DROP TRIGGER entry_is_never_changed")
        file.execute("UPDATE entry SET body = '{}' WHERE seq = 9")
    file.close()


def cut_rows(path: Path) -> None:
    rewrite(path, rows_of(path)[:-20])


def cut_rows_and_seal(path: Path) -> None:
    cut_rows(path)
    seal_of(path).unlink()


def cut_rows_seal_and_sounds(path: Path) -> None:
    cut_rows_and_seal(path)
    with Record.open(path, read_only=True) as record:
        named = {entry.body.get("audio") for entry in record.entries()}
    for sound in audio_of(path).iterdir():
        if sound.name not in named:
            sound.unlink()


def delete_the_seal(path: Path) -> None:
    seal_of(path).unlink()


def rewrite_and_reseal(path: Path) -> None:
    pairs = [(row.kind, row.text.replace("Sam Doe", "Pat Moe")) for row in rows_of(path)]
    seal_of(path).unlink()
    rewrite(path, chain_of(pairs))
    with Record.open(path) as record:
        seal(record)


def swap_a_recording(path: Path) -> None:
    first, second = sorted(audio_of(path).iterdir())[:2]
    first.write_bytes(second.read_bytes())


def delete_a_recording(path: Path) -> None:
    min(audio_of(path).iterdir()).unlink()


def add_a_recording(path: Path) -> None:
    (audio_of(path) / "9999.flac").write_bytes(b"fLaC")


def truncate(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:5000])


def zero(path: Path) -> None:
    path.write_bytes(bytes(path.stat().st_size))


SOUND = ""
TABLE: list[tuple[Callable[[Path], None], str, str]] = [
    # the attack, what every check says, and what verify says is not shown
    (change_a_row, "Entry 9 is not what was recorded", SOUND),
    (cut_rows, "does not follow from the entry before it|are missing", SOUND),
    (cut_rows_and_seal, r"The recording \d+.flac was added: no entry names it", NO_END),
    (cut_rows_seal_and_sounds, SOUND, NO_END),
    (delete_the_seal, SOUND, NO_SEAL),
    (rewrite_and_reseal, SOUND, SOUND),
    (swap_a_recording, "The recording 0001.flac is not what was recorded", SOUND),
    (delete_a_recording, "The recording 0001.flac is missing", SOUND),
    (add_a_recording, "The recording 9999.flac was added", SOUND),
    (truncate, "damaged|cannot be read|is not a visit record", SOUND),
    (zero, "is not a visit record", SOUND),
]
"""verify, the list, the visit's page, its report, replay and sending say the same: they are one check."""


@pytest.mark.parametrize(("attack", "says", "not_shown"), TABLE, ids=[attack.__name__ for attack, _, _ in TABLE])
def test_every_check_says_the_same(
    path: Path, attack: Callable[[Path], None], says: str, not_shown: str, capsys: pytest.CaptureFixture[str]
) -> None:
    head, lodged = check(path).head, [(len(rows_of(path)), rows_of(path)[-1].hash)]
    attack(path)
    checked = check(path)
    assert checked.warnings == [not_shown] if not_shown else True
    if not says:  # it fits itself: only what was noted elsewhere shows it
        assert not checked.problems
        if attack is not delete_the_seal:
            assert check(path, head).problems
            assert check(path, lodged=lodged).problems
        return
    assert re.search(says, " ".join(checked.problems))
    shop = FolderStore(path.parents[1])
    (listed,) = shop.visits(Search(), 0, 9)
    assert listed.problem in checked.problems
    page = TestClient(create_app(shop), base_url="http://localhost")
    assert "not as recorded" in page.get("/").text
    shown = page.get("/visit/visit")
    assert shown.status_code == 200
    assert "is not as it was recorded" in shown.text
    assert 'value="signed off"' not in shown.text
    kept = shop.visit("visit")
    assert kept
    with pytest.raises(Problem, match="cannot be signed off"):
        shop.add_review("visit", signature(kept))
    with pytest.raises(Problem):
        from_record(path)
    if attack not in (truncate, zero, change_a_row, cut_rows):
        with Record.open(path, read_only=True) as record:
            made, problems = report_page.of_record(record, audio=False)
        assert problems == checked.problems
        assert checked.problems[0] in made
        with pytest.raises(SystemExit) as ended:
            replay(path)
        assert ended.value.code == 2
        assert checked.problems[0] in " ".join(capsys.readouterr().err.split())


def signature(kept: Kept, standing: str = "signed off") -> Review:
    return Review("2026-02-02T10:00:00.000Z", "Sam Poe (invented)", standing, "", kept.head, len(kept.entries))  # type: ignore[arg-type]


def test_a_recording_that_was_swapped_is_not_played(path: Path) -> None:
    swap_a_recording(path)
    shop = FolderStore(path.parents[1])
    page = TestClient(create_app(shop), base_url="http://localhost")
    answer = page.get("/visit/visit/audio/0001.flac")
    assert answer.status_code == 409
    assert "is not what was recorded; it is not played" in answer.text
    assert page.get("/visit/visit/audio/0002.flac").content.startswith(b"fLaC")


# --- nothing is missing from the list


def test_every_record_below_a_folder_is_found(path: Path, tmp_path: Path) -> None:
    top = tmp_path / "out"
    shutil.copytree(path.parent, top / "crew" / "monday" / "first")
    shutil.copytree(path.parent, tmp_path / "elsewhere")
    for file in path.parent.iterdir():  # a record at the top, as a demo leaves it
        shutil.copytree(file, top / file.name) if file.is_dir() else shutil.copy(file, top / file.name)
    shutil.copy(path, top / "visit" / "copy of visit.sqlite")
    (top / "linked").symlink_to(tmp_path / "elsewhere")
    (top / "loop").symlink_to(top)
    (top / "gone").mkdir()
    (top / "gone" / "visit.sqlite").symlink_to(tmp_path / "nowhere.sqlite")
    found = all_in(top)
    assert {str(record.relative_to(top)) for record in found.records} == {
        "visit.sqlite",
        "visit/visit.sqlite",
        "visit/copy of visit.sqlite",
        "crew/monday/first/visit.sqlite",
        "linked/visit.sqlite",
    }
    assert [each for each in found.left_out if "gone" in each and "leads nowhere" in each]
    shop = FolderStore(top)
    listed = shop.visits(Search(), 0, 99)
    assert len(listed) == 5
    page = TestClient(create_app(shop), base_url="http://localhost")
    assert "leads nowhere" in page.get("/").text
    links = re.findall(r'<th scope="row"><a href="([^"]+)"', page.get("/").text)
    assert [page.get(link).status_code for link in links] == [200] * 5


def test_a_broken_visit_stands_first_and_the_rest_works(made: Path, tmp_path: Path) -> None:
    top = tmp_path / "out"
    for name in ("a", "cut", "zeroed", "odd", "deep", "empty", "list"):
        copied(made, top / name)
    truncate(top / "cut" / "visit.sqlite")
    zero(top / "zeroed" / "visit.sqlite")
    setting = rows_of(made)[0].body
    odd = {
        "odd": [("visit", canonical_json({**setting, "job": {**setting["job"], "technician": 7}}))],
        "deep": [("visit", '{"job":' + "[" * 200_000 + "]" * 200_000 + "}")],
        "empty": [],
        "list": [("visit", "[]")],
    }
    for name, pairs in odd.items():
        seal_of(top / name / "visit.sqlite").unlink()
        shutil.rmtree(audio_of(top / name / "visit.sqlite"))
        rewrite(top / name / "visit.sqlite", chain_of(pairs))
    (top / REVIEWS).write_text('not json\n{"visit": "a"}\n[1]\n' + "[" * 200_000 + "\n", encoding="utf-8")
    shop = FolderStore(top)
    page = TestClient(create_app(shop), base_url="http://localhost", raise_server_exceptions=False)
    answer = page.get("/")
    assert answer.status_code == 200
    for line in (1, 2, 3, 4):
        assert f"Line {line} of {REVIEWS} is no review" in answer.text
    listed = [each.visit for each in shop.visits(Search(), 0, 99)]
    assert listed[-1] == "a"
    assert set(listed[:-1]) == {"cut", "zeroed", *odd}
    for each in shop.visits(Search(), 0, 99)[:-1]:
        assert each.problem
        shown = page.get(f"/visit/{each.visit}")
        assert (shown.status_code, "not as it was recorded" in shown.text) == (200, True)
    assert page.get("/visit/a").status_code == 200
    assert page.get("/steps").status_code == 200


def test_the_order_is_by_danger() -> None:
    clean = {"unsafe": False, "stopped": False, "outside": 0, "watch": 0, "not_checked": 0}
    ranked = [
        urgency(clean, "open", "Entry 3 is missing."),
        urgency({**clean, "unsafe": True}, "lapsed"),
        urgency({**clean, "stopped": True, "outside": 9}, "open"),
        urgency({**clean, "outside": 1}, "returned"),
        urgency({**clean, "not_checked": 9, "watch": 9}, "open"),
        urgency(clean, "returned"),
        urgency({**clean, "not_checked": 1}, "signed off"),
        urgency({**clean, "unsafe": True}, "signed off"),
    ]
    assert ranked == sorted(ranked, reverse=True)
    assert len(set(ranked)) == len(ranked)


# --- a signature binds


@pytest.fixture
def gas(tmp_path: Path) -> Path:
    """A visit in which gas is smelt."""
    script = {"line": ["i smell gas"], "line emergency": ["no"] * 60}
    return scripted_visits.visit(tmp_path / "gas" / "visit", script, utc="2026-01-07T09:00:00.000Z", most=40)


def before_the_smell(path: Path, to: Path) -> Path:
    """The visit cut before its emergency."""
    copy = copied(path, to)
    rows = rows_of(copy)
    at = next(place for place, row in enumerate(rows) if row.kind == "emergency")
    said = max(place for place in range(at) if rows[place].kind == "said")
    rewrite(copy, rows[:said])
    named = {row.body.get("audio") for row in rows[:said]}
    for sound in audio_of(copy).iterdir():
        if sound.name not in named:
            sound.unlink()
    return copy


def test_a_sign_off_of_a_visit_that_was_cut_lapses_when_it_is_sent_whole(gas: Path, tmp_path: Path) -> None:
    cut = from_record(before_the_smell(gas, tmp_path / "cut"))
    with Store.open(str(tmp_path / "shop.sqlite"), make=True) as store:
        store.receive(cut)
        kept = store.visit(cut.id)
        assert kept
        store.add_review(cut.id, signature(kept))
        assert store.visits(Search(), 0, 9)[0].standing == "signed off"
        assert store.receive(from_record(gas)) == "added to"
        (listed,) = store.visits(Search(), 0, 9)
        assert (listed.standing, listed.stopped) == ("lapsed", True)
        page = TestClient(create_app(store), base_url="http://localhost")
        assert "The last sign-off has lapsed" in page.get(f"/visit/{cut.id}").text
        assert "signed off, lapsed" in page.get("/").text
        with pytest.raises(Problem, match="has grown or changed"):
            store.add_review(cut.id, signature(kept))


def test_a_record_that_is_put_in_place_of_a_signed_one_inherits_nothing(gas: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    cut = before_the_smell(gas, folder / "visit")
    shop, guard = FolderStore(folder), Guard()
    page = TestClient(create_app(shop, guard), base_url="http://localhost", follow_redirects=False)
    form = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', page.get("/visit/visit").text))
    form |= {"by": "Sam Poe (invented)", "standing": "signed off"}
    assert page.post("/visit/visit/review", data=form).status_code == 303
    assert shop.visits(Search(), 0, 9)[0].standing == "signed off"
    assert "Not authenticated: a name as it was typed" in page.get("/visit/visit").text
    shutil.rmtree(cut.parent)
    copied(gas, cut.parent)
    (listed,) = shop.visits(Search(), 0, 9)
    assert (listed.standing, listed.stopped) == ("lapsed", True)
    assert page.post("/visit/visit/review", data=form).status_code == 422  # the form is of what was shown before


def warnings_of(shop: FolderStore) -> list[str]:
    shop.visits(Search(), 0, 9)
    return shop.warnings()


def test_what_changes_is_checked_again_and_nothing_else(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copied(path, tmp_path / "out" / "other")
    checked: list[str] = []
    real = folder_store.check
    monkeypatch.setattr(folder_store, "check", lambda of: checked.append(of.parent.name) or real(of))
    shop = FolderStore(tmp_path / "out")
    for _ in range(3):
        assert [each.problem for each in shop.visits(Search(), 0, 9)] == ["", ""]
    assert sorted(checked) == ["other", "visit"]
    swap_a_recording(path)  # in place: its folder is as it was
    os.utime(min(audio_of(path).iterdir()), ns=(0, 0))  # a time of writing can be set by anybody
    first = shop.visits(Search(), 0, 9)[0]
    assert (first.visit, first.problem) == ("visit", "The recording 0001.flac is not what was recorded.")
    shutil.rmtree(path.parent)
    shutil.copytree(tmp_path / "out" / "other", path.parent)
    assert [each.problem for each in shop.visits(Search(), 0, 9)] == ["", ""]
    assert sorted(checked) == ["other", "visit", "visit", "visit"]


def test_a_list_that_is_not_whole_yet_says_so(made: Path, tmp_path: Path) -> None:
    for name in "abcd":
        copied(made, tmp_path / "out" / name)
    page = TestClient(create_app(FolderStore(tmp_path / "out", patience_s=0)), base_url="http://localhost")
    for waiting in (3, 2, 1):
        answer = page.get("/")
        assert re.search(rf"{waiting} visits? (is|are) still being read, and not in this list yet", answer.text)
        assert answer.headers["refresh"] == "1"
    answer = page.get("/")
    assert "still being read" not in answer.text
    assert "refresh" not in answer.headers
    assert len(re.findall(r'<th scope="row"><a href="/visit/', answer.text)) == 4
    slow = FolderStore(tmp_path / "out", patience_s=0)
    taken = TestClient(create_app(slow), base_url="http://localhost").get("/?as=csv").text
    assert len(taken.splitlines()) == 5  # what is taken away is whole
    slow = FolderStore(tmp_path / "out", patience_s=0)
    assert sum(count.visits for count in slow.steps("crew")) == sum(
        count.visits for count in FolderStore(tmp_path / "out").steps("crew")
    )
    assert not slow.waiting


def test_the_reviews_of_a_folder_are_a_chain(path: Path) -> None:
    folder = path.parents[1]
    copied(path, folder / "other")
    shop = FolderStore(folder)
    for visit in ("visit", "other", "visit"):
        kept = shop.visit(visit)
        assert kept
        shop.add_review(visit, signature(kept))
    assert warnings_of(shop) == []
    file = folder / REVIEWS
    lines = file.read_text(encoding="utf-8").splitlines()

    def standings() -> dict[str, str]:
        return {each.visit: each.standing for each in shop.visits(Search(), 0, 9)}

    assert standings() == {"visit": "signed off", "other": "signed off"}
    file.write_text("\n".join([lines[0], lines[1].replace("Sam Poe", "Pat Moe"), lines[2]]) + "\n", encoding="utf-8")
    assert any("Entry 2 is not what was recorded" in each for each in warnings_of(shop))
    assert standings() == {"visit": "signed off", "other": "lapsed"}
    file.write_text("\n".join([lines[0], lines[2]]) + "\n", encoding="utf-8")
    assert any("Entry 2 is missing" in each for each in warnings_of(shop))
    file.write_text(lines[0] + "\n" + lines[1][:40], encoding="utf-8")  # torn by a crash
    assert any("Line 2" in each for each in warnings_of(shop))
    kept = shop.visit("other")
    assert kept
    shop.add_review("other", signature(kept))
    assert standings() == {"visit": "signed off", "other": "signed off"}


def test_a_review_of_an_earlier_version_is_of_no_record(path: Path) -> None:
    old = {"visit": "visit", "utc": "2026-01-09T10:00:00.000Z", "by": "Sam", "standing": "signed off", "comment": ""}
    (path.parents[1] / REVIEWS).write_text(json.dumps(old) + "\n", encoding="utf-8")
    shop = FolderStore(path.parents[1])
    assert warnings_of(shop) == []
    assert [each.standing for each in shop.visits(Search(), 0, 9)] == ["lapsed"]


# --- what is done to the store

STORE_TABLE = [
    ("UPDATE visit SET unsafe = 1", "unsafe is True, by its record False"),
    ("UPDATE visit SET outside = 0, search = ''", "search is"),
    ("UPDATE visit SET standing = 'signed off', urgency = 0", "standing is signed off, by its record open"),
    ("UPDATE reading SET value = '2.0'", "the rows of reading"),
    ("DELETE FROM entry WHERE seq > 30", "The shop has its head at entry"),
    ("UPDATE entry SET body = '{}' WHERE seq = 9", "Entry 9 is not what was recorded"),
    ("UPDATE recording SET data = X'00' WHERE name = '0001.flac'", "The recording 0001.flac is not what was recorded"),
    ("DELETE FROM recording WHERE name = '0001.flac'", "The recording 0001.flac is missing"),
    ("INSERT INTO recording SELECT visit, '9999.flac', sha256, data FROM recording LIMIT 1", "9999.flac was added"),
]
"""What is written into the store past its triggers, and what the check says."""


@pytest.fixture
def shop(path: Path, tmp_path: Path) -> Iterator[tuple[Store, Path, str]]:
    """A store with one visit, its file without triggers, and the visit."""
    file = tmp_path / "shop.sqlite"
    parcel = from_record(path)
    with Store.open(str(file), make=True) as store:
        store.receive(parcel)
        with sqlite3.connect(file) as db:
            for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                db.execute(f"DROP TRIGGER {name}")
        db.close()
        yield store, file, parcel.id


@pytest.mark.parametrize(("change", "says"), STORE_TABLE)
def test_what_is_changed_in_the_store_is_said(shop: tuple[Store, Path, str], change: str, says: str) -> None:
    store, file, visit = shop
    kept = store.visit(visit)
    assert kept
    assert not kept.problems
    with sqlite3.connect(file) as db:
        assert db.execute(change).rowcount
    db.close()
    kept = store.visit(visit)
    assert kept
    assert any(says in problem for problem in kept.problems), kept.problems
    (listed,) = store.visits(Search(), 0, 9)
    assert listed.problem == kept.problems[0]
    with pytest.raises(Problem, match="cannot be signed off"):
        store.add_review(visit, signature(kept))


@pytest.mark.parametrize("body", ["{", '{"job":{}}'])
def test_the_trends_are_shown_where_the_last_visit_is_damaged(shop: tuple[Store, Path, str], body: str) -> None:
    store, file, visit = shop
    kept = store.visit(visit)
    assert kept
    with sqlite3.connect(file) as db:
        db.execute("UPDATE entry SET body = ? WHERE seq = 1", (body,))
    db.close()
    page = TestClient(create_app(store), base_url="http://localhost", raise_server_exceptions=False)
    shown = page.get(f"/appliance/{quote(kept.appliance, safe='')}")
    assert (shown.status_code, "Limit: no limit" in shown.text) == (200, True)
    assert page.get(f"/visit/{visit}").status_code == 200


def test_the_log_of_heads_only_grows(shop: tuple[Store, Path, str], gas: Path) -> None:
    store, file, _ = shop
    store.receive(from_record(gas))
    assert store.warnings() == []
    with sqlite3.connect(file) as db:
        db.execute("DELETE FROM lodged WHERE seq = 1")
    db.close()
    assert store.warnings() == ["Of the log of heads: Entry 1 is missing."]


# --- what arrives


def export(path: Path, to: Path, rows: Sequence[Entry] | None = None) -> Path:
    to.write_text("".join(f"{to_line(row)}\n" for row in rows or rows_of(path)), encoding="utf-8")
    return to


def deep(path: Path, to: Path) -> None:
    to.write_text(
        export(path, to).read_text().replace('"body":{', '"body":{"a":' + "[" * 200_000 + "]" * 200_000 + ",", 1)
    )


def changed(path: Path, to: Path, at: int, kind: str, body: object, utc: str = "2026-01-05T09:00:00.000Z") -> None:
    """An export with a sound chain in which one entry is another."""
    pairs = [(row.kind, row.text) for row in rows_of(path)]
    pairs[at] = (kind, canonical_json(body))
    export(path, to, chain_of(pairs, utc))


def of_job(path: Path, to: Path, **job: object) -> None:
    setting = rows_of(path)[0].body
    changed(path, to, 0, "visit", {**setting, "job": {**setting["job"], **job}})


def with_seal(path: Path, to: Path, body: object) -> None:
    rows = rows_of(path)
    export(path, to, chain_of([*((row.kind, row.text) for row in rows), ("sealed", canonical_json(body))]))


SEAL = {"file": "visit.sqlite", "bytes": 1, "sha256": "0" * 64, "entries": 3}
PARCELS: dict[str, tuple[Callable[[Path, Path], None], str]] = {
    "no text": (lambda _, to: to.write_bytes(b"\xff\xfe\x00"), "cannot be read as an export"),
    "empty": (lambda _, to: to.write_text(""), "is empty"),
    "a list": (lambda _, to: to.write_text("[]\n"), "cannot be read as an export"),
    "deep": (deep, "cannot be read as an export"),
    "an empty body first": (lambda path, to: changed(path, to, 0, "visit", {}), "is no visit that can"),
    "an empty job": (lambda path, to: changed(path, to, 0, "visit", {"job": {}}), "is no visit that can be understood"),
    "a technician who is a number": (
        lambda path, to: of_job(path, to, technician=7),
        "is no visit that can be understood",
    ),
    "a seal without audio": (lambda path, to: with_seal(path, to, SEAL), "is no seal"),
    "an empty seal": (lambda path, to: with_seal(path, to, {}), "is no seal"),
    "yesterday": (lambda path, to: changed(path, to, 3, "note", {}, "yesterday"), "no time that can be read"),
    "the year 2999": (lambda path, to: changed(path, to, 3, "note", {}, "2999-01-05T09:00:00.000Z"), "cannot be"),
    "100 MB": (lambda path, to: changed(path, to, 3, "note", {"words": "x" * 100_000_000}), "larger than any visit"),
    "5 MB": (lambda path, to: changed(path, to, 3, "note", {"words": "x" * 5_000_000}), "longer than those of any"),
}
TAKEN: dict[str, Callable[[Path, Path], None]] = {
    "an empty reading": lambda path, to: changed(path, to, 5, "reading", {}),
    "a reading that is none": lambda path, to: changed(
        path, to, 5, "reading", {"value": [1], "judged": None}, "2026-01-06T09:00:00.000Z"
    ),
}
"""A kind that cannot be read is kept and shown as such: a newer program may have written it."""


def test_each_parcel_is_judged_alone(path: Path, tmp_path: Path) -> None:
    source = tmp_path / "parcels"
    source.mkdir()
    for name, (make, _) in PARCELS.items():
        make(path, source / f"{name}.jsonl")
    for name, take in TAKEN.items():
        take(path, source / f"{name}.jsonl")
    whole = export(path, source / "z whole.jsonl")
    files = sorted(source.iterdir())
    command = ["shop", "receive", *map(str, files), "--store", str(tmp_path / "shop.sqlite")]
    done = CliRunner().invoke(build(), command)
    assert done.exit_code == 2, (done.output, done.exception)
    said = [line for line in done.stderr.splitlines() if line.startswith("Refused")]
    assert len(said) == len(PARCELS)
    for name, (_, why) in PARCELS.items():
        (line,) = [line for line in said if f"/{name}.jsonl" in line]
        assert re.search(why, line), line
    assert f"{whole}: stored" in done.output.replace("\n", "")
    with Store.open(str(tmp_path / "shop.sqlite")) as store:
        for visit in store.ids():
            kept = store.visit(visit)
            assert kept
            assert not kept.problems
        page = TestClient(create_app(store), base_url="http://localhost", raise_server_exceptions=False)
        assert [page.get(f"/visit/{visit}").status_code for visit in store.ids()] == [200] * len(store.ids())
        assert [page.get(f"/visit/{visit}/report").status_code for visit in store.ids()] == [200] * len(store.ids())


@pytest.mark.parametrize("what", ["recording", "record"])
def test_what_is_too_large_takes_no_memory(path: Path, tmp_path: Path, what: str) -> None:
    sound = min(audio_of(path).iterdir())
    with (sound if what == "recording" else path).open("r+b") as file:
        file.truncate(400_000_000)
    seal_of(path).unlink()
    program = (
        "import sys\n"
        "from assistant.cli.commands import build\n"
        "try:\n"
        "    build()(sys.argv[1:])\n"
        "finally:\n"
        "    status = open('/proc/self/status').read()\n"
        "    print('peak', int(status.split('VmHWM:')[1].split()[0]) // 1000)\n"
    )
    command = [sys.executable, "-c", program, "shop", "send", str(path), "--store", str(tmp_path / "shop.sqlite")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "larger than any" in done.stderr
    assert "Traceback" not in done.stderr
    assert int(done.stdout.split("peak ")[1]) < 200


def test_one_flipped_byte_of_a_backup_is_refused(shop: tuple[Store, Path, str], tmp_path: Path) -> None:
    _, file, _ = shop
    backup = tmp_path / "backup"
    copies.backup(str(file), backup)
    data = bytearray(backup.read_bytes())
    data[len(data) // 2] ^= 1
    (tmp_path / "flipped").write_bytes(data)
    with pytest.raises(Problem, match="has no checksum"):
        copies.restore(tmp_path / "flipped", str(tmp_path / "new.sqlite"))
    shutil.copy(tmp_path / "backup.sha256", tmp_path / "flipped.sha256")
    with pytest.raises(Problem, match="is not what was written"):
        copies.restore(tmp_path / "flipped", str(tmp_path / "new.sqlite"))
    assert not (tmp_path / "new.sqlite").exists()
    copies.restore(backup, str(tmp_path / "new.sqlite"))
    done = subprocess.run(["sha256sum", "-c", "backup.sha256"], cwd=tmp_path, capture_output=True, check=False)
    assert done.returncode == 0


# --- by which name


@pytest.mark.parametrize(
    ("host", "names", "answered", "refused"),
    [
        ("::1", [], "[::1]:8765", "elsewhere.example"),
        ("127.0.0.1", [], "localhost:8765", "127.0.0.1.elsewhere.example"),
        ("0.0.0.0", ["office.example"], "OFFICE.example:8765", "0.0.0.0:8765"),
        ("192.0.2.7", [], "192.0.2.7", "office.example"),
        ("::", ["192.0.2.7"], "192.0.2.7:80", "[::"),
    ],
)
def test_only_the_names_that_were_told_are_answered(
    path: Path, host: str, names: list[str], answered: str, refused: str
) -> None:
    app = create_app(FolderStore(path.parents[1]), hosts=hosts_for(host, names))
    page = TestClient(app, base_url="http://localhost")
    assert page.get("/", headers={"host": answered}).status_code == 200
    assert page.get("/", headers={"host": refused}).status_code == 400


def test_every_address_needs_a_name() -> None:
    with pytest.raises(Problem, match="--name"):
        hosts_for("0.0.0.0", [])
