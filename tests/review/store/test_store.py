from __future__ import annotations

import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
import scripted_visits
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import select, text

from assistant.errors import Problem
from assistant.record.chain import canonical_json
from assistant.record.record import Record, audio_of
from assistant.record.seal import erase_audio, seal
from assistant.record.story import story_of
from assistant.review.export import to_jsonl
from assistant.review.store import copies
from assistant.review.store import schema as s
from assistant.review.store import store as store_module
from assistant.review.store.accounts import Accounts
from assistant.review.store.parcel import derive, from_export, from_record
from assistant.review.store.store import Store
from assistant.review.web.shop import ReadingSearch, Review, Search, StoreDown

BY_HAND = Review("2026-02-01T10:00:00.000Z", "Sam Poe (invented)", "returned", "Read the flame signal again.")


def everything(store: Store) -> dict[str, list[tuple[object, ...]]]:
    """All that a store holds, by table, without the numbers that depend on who came first."""
    found = {}
    with store._asked() as connection:
        for table in s.metadata.sorted_tables:
            columns = [c for c in table.c if c.name not in ("no", "id") and not c.foreign_keys]
            if table is s.lodged:  # its times, and so its hashes, are those of the sending
                columns = [table.c.body]
            found[table.name] = sorted(tuple(row) for row in connection.execute(select(*columns)))
    return found


def signature(store: Store, visit: str) -> Review:
    """A sign-off of a visit as it is."""
    kept = store.visit(visit)
    assert kept is not None
    return Review("2026-02-02T10:00:00.000Z", "Sam Poe (invented)", "signed off", "", kept.head, len(kept.entries))


def copied(visit: Path, to: Path) -> Path:
    shutil.copytree(visit.parent, to)
    return to / visit.name


def test_a_visit_is_kept_as_it_was_sent(store: Store, visit: Path) -> None:
    parcel = from_record(visit)
    assert store.receive(parcel) == "stored"
    assert store.chain(parcel.id) == list(parcel.rows)
    kept = store.visit(parcel.id)
    assert kept is not None
    assert not kept.problems
    with Record.open(visit, read_only=True) as record:
        assert list(kept.entries) == list(record.entries())
    assert len(parcel.recordings) > 20
    for name, path in parcel.recordings.items():
        assert store.recording(parcel.id, name) == path.read_bytes()


def test_sending_again_changes_nothing(store: Store, visit: Path) -> None:
    store.receive(from_record(visit))
    before = everything(store)
    assert store.receive(from_record(visit)) == "there already"
    assert everything(store) == before


def test_a_visit_that_was_sealed_and_lost_its_sound_is_added_to(store: Store, visit: Path, tmp_path: Path) -> None:
    mine = copied(visit, tmp_path / "mine")
    store.receive(from_record(mine))
    with Record.open(mine) as record:
        seal(record)
    assert store.receive(from_record(mine)) == "added to"
    name = next(iter(from_record(mine).recordings))
    assert store.recording(from_record(mine).id, name)
    erase_audio(mine, "the customer asked")
    parcel = from_record(mine)
    assert store.receive(parcel) == "added to"
    assert store.receive(parcel) == "there already"
    assert store.recording(parcel.id, name) is None
    assert store.chain(parcel.id) == list(parcel.rows)
    kept = store.visit(parcel.id)
    assert kept is not None
    assert not kept.problems


def test_what_was_erased_stays_so_when_an_older_copy_is_sent(store: Store, visit: Path, tmp_path: Path) -> None:
    mine, older = copied(visit, tmp_path / "mine"), copied(visit, tmp_path / "older")
    for path in (mine,):
        with Record.open(path) as record:
            seal(record)
        erase_audio(path, "the customer asked")
    store.receive(from_record(mine))
    before = everything(store)
    assert store.receive(from_record(older)) == "there already"
    assert everything(store) == before


def test_a_broken_chain_is_refused_whole_and_its_entry_is_named(store: Store, visit: Path, tmp_path: Path) -> None:
    mine = copied(visit, tmp_path / "mine")
    parcel = from_record(mine)
    broken = list(parcel.rows)
    broken[20] = broken[20]._replace(text='{"changed":true}')
    before = everything(store)
    with pytest.raises(Problem, match="refused whole: Entry 21 "):
        store.receive(type(parcel)(parcel.where, broken, parcel.sealed_from, parcel.recordings))
    assert everything(store) == before
    with sqlite3.connect(mine) as file:
        file.execute("DROP TRIGGER entry_is_never_changed")
        file.execute("UPDATE entry SET body = '{}' WHERE seq = 30")
    with pytest.raises(Problem, match=r"refused whole: .*30"):
        from_record(mine)


def test_another_chain_of_the_same_visit_is_refused(store: Store, tmp_path: Path, visit: Path) -> None:
    with Record.open(visit, read_only=True) as record:
        rows = list(record.rows())
    export = tmp_path / "first.jsonl"
    export.write_text(to_jsonl(rows[:40]), encoding="utf-8")
    mine = copied(visit, tmp_path / "other")
    cut = tmp_path / "cut.sqlite"
    with Record.create(cut) as record:
        pass
    with sqlite3.connect(cut) as file:
        file.executemany("INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?)", rows[:30])
    with Record.open(cut) as record:
        for _ in range(20):
            record.append([("speaker", {"speaker": "helper"})])
        fork = list(record.rows())
    other = tmp_path / "fork.jsonl"
    other.write_text(to_jsonl(fork), encoding="utf-8")
    assert store.receive(from_export(export)) == "stored"
    before = everything(store)
    with pytest.raises(Problem, match="not what the store has"):
        store.receive(from_export(other))
    assert everything(store) == before
    assert store.receive(from_record(mine)) == "added to"


def test_a_recording_that_is_not_the_recorded_one_is_refused(store: Store, visit: Path, tmp_path: Path) -> None:
    mine = copied(visit, tmp_path / "mine")
    sound = sorted(audio_of(mine).iterdir())[3]
    parcel = from_record(mine)
    sound.write_bytes(b"something else")
    with pytest.raises(Problem, match=sound.name):
        from_record(mine)
    with pytest.raises(Problem, match="changed while it was sent"):
        store.receive(parcel)
    assert not store.visits(Search(), 0, 10)


def test_two_senders_at_once(where: str, visit: Path, tmp_path: Path) -> None:
    others = [scripted_visits.visit(tmp_path / f"v{n}", utc=f"2026-03-0{n}T09:00:00.000Z", most=30) for n in (1, 2)]
    parcels = [from_record(path) for path in (visit, *others)]
    with Store.open(where, make=True) as store:

        def send(order: int) -> list[str]:
            with Store.open(where) as mine:
                return [mine.receive(parcel) for parcel in parcels[::order]]

        with ThreadPoolExecutor(4) as pool:
            done = list(pool.map(send, (1, -1, 1, -1)))
        assert sorted(each for sender in done for each in sender) == ["stored"] * 3 + ["there already"] * 9
        found = everything(store)
        assert len(found["visit"]) == 3
        assert [store.chain(parcel.id) for parcel in parcels] == [list(parcel.rows) for parcel in parcels]


def test_a_sender_killed_in_the_middle_and_again(
    where: str, visit: Path, tmp_path: Path, postgresql: object | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed at many moments: between the pieces of the sound, and within them."""
    with Store.open(str(tmp_path / "whole.sqlite"), make=True) as whole:
        whole.receive(from_record(visit))
        wanted = everything(whole)
    sender = (
        "import sys\n"
        "from pathlib import Path\n"
        "from assistant.review.store import store as module\n"
        "from assistant.review.store.parcel import from_record\n"
        "module.PIECE_BYTES = 1\n"  # a transaction for each recording: many places to be killed at
        "with module.Store.open(sys.argv[1]) as store:\n"
        "    print('ready', flush=True)\n"
        "    store.receive(from_record(Path(sys.argv[2])))\n"
    )
    moments = set()
    with Store.open(where, make=True) as store:
        for delay_s in (0.0, 0.1, 0.2, 0.3):
            child = subprocess.Popen([sys.executable, "-c", sender, where, str(visit)], stdout=subprocess.PIPE)
            assert child.stdout is not None
            child.stdout.readline()
            time.sleep(delay_s)
            child.send_signal(signal.SIGKILL)
            child.communicate()
            with store._asked() as connection:
                moments.add(connection.scalar(text("SELECT count(*) FROM recording")))
        assert len(wanted["recording"]) >= max(moments)
        store.receive(from_record(visit))
        assert everything(store) == wanted


def test_search_filters_order_and_pages(store: Store, tmp_path: Path) -> None:
    visits = {}
    demo = scripted_visits.demo_job()
    for n, (site, script, most) in enumerate(
        [
            ("1 Sample Lane", {"line": ["i smell gas"], "line emergency": ["no"] * 60}, 60),
            ("2 Model 100%_Road", {"manifold": ["four point two inches"]}, 300),
            ("3 Sample Street", {}, 300),
        ],
        1,
    ):
        job = demo.model_copy(update={"site": site})
        path = scripted_visits.visit(tmp_path / str(n), script, job, f"2026-01-0{n}T09:00:00.000Z", most)
        visits[from_record(path).id] = n
        store.receive(from_record(path))

    def found(first: int = 0, most: int = 10, **asked: str) -> list[int]:
        return [visits[listed.visit] for listed in store.visits(Search(**asked), first, most)]

    assert found() == [2, 1, 3]  # a notice was given of the second, an odour met in the first; the newest first
    assert found(1, 1) == found()[1:2]
    assert sorted(found(words="SAMPLE")) == [1, 3]
    assert found(words="ample street") == [3]
    assert found(words="100%_r") == [2]
    assert found(words="%") == [2]
    assert found(words="nowhere") == []
    assert found(outcome="unsafe") == [2, 1]
    assert found(outcome="unfinished") == [1]
    assert 2 in found(outcome="outside")
    crew = demo.technician.name
    assert list(store.crews()) == [crew]
    assert sorted(found(crew=crew)) == [1, 2, 3]
    assert found(crew="Nobody") == []
    first = next(visit for visit, n in visits.items() if n == 1)
    store.add_review(first, signature(store, first))
    assert found()[-1] == 1
    with pytest.raises(Problem, match="has grown or changed"):
        store.add_review(first, Review("2026-02-01T10:00:00.000Z", "Sam", "signed off", ""))
    assert found(standing="signed off") == [1]
    assert sorted(found(standing="open")) == [2, 3]


def test_reviews_are_a_chain_and_never_change(store: Store, visit: Path) -> None:
    parcel = from_record(visit)
    store.receive(parcel)
    signed = signature(store, parcel.id)
    store.add_review(parcel.id, BY_HAND)
    store.add_review(parcel.id, signed)
    kept = store.visit(parcel.id)
    assert kept is not None
    assert list(kept.reviews) == [BY_HAND, signed]
    assert not kept.problems
    for table in ("review", "entry", "lodged"):
        for change in (f"UPDATE {table} SET utc = 'x'", f"DELETE FROM {table}"):
            with pytest.raises(StoreDown, match="never changed"), store._asked(write=True) as connection:
                connection.execute(text(change))
    with pytest.raises(Problem, match="no such visit"):
        store.add_review("0" * 64, BY_HAND)
    assert store.receive(parcel) == "there already"
    again = store.visit(parcel.id)
    assert again is not None
    assert list(again.reviews) == [BY_HAND, signed]


def test_trends_and_steps_are_those_of_the_record(store: Store, visit: Path) -> None:
    with Record.open(visit, read_only=True) as record:
        story = story_of(record.entries())
    store.receive(from_record(visit))
    trends = store.trends(story.rules.job.appliance_key())
    wanted = [r for r in story.standing if r.quantity == "flame-signal"]
    assert [(p.number, p.unit, p.outcome, p.utc) for p in trends["flame-signal"] if p.outcome != "refused"] == [
        (r.number, story.judged_unit(r), r.verdict, r.utc) for r in wanted
    ]
    assert [p.value for p in trends["flame-signal"] if p.outcome == "refused"] == ["1.3"]
    assert [(p.value, p.outcome, p.number is None) for p in trends["igniter-resistance"]] == [
        ("open", "fail", True),
        ("61.7", "pass", False),
    ]
    assert store.trends("nothing") == {}
    counts = {row.step: row for row in store.steps("crew")}
    assert counts["inlet-running"].skipped == 1
    assert sum(row.corrected for row in counts.values()) == 1
    assert counts["flame"].refused == 1
    assert {row.group for row in store.steps("microphone")} == {"not recorded"}


@pytest.mark.parametrize(
    ("route", "name"),
    [({"microphone": "desk"}, "desk"), ({"microphone": None}, "the system's own"), (None, "not recorded")],
)
def test_the_microphone_is_the_device_and_not_who_spoke(visit: Path, route: object, name: str) -> None:
    with Record.open(visit, read_only=True) as record:
        entries = list(record.entries())
    opened = canonical_json({"what": "opened", **({"microphone": route} if route else {})})
    device = entries[0]._replace(kind="device", text=opened)
    helper = {e.seq: canonical_json({**e.body, "microphone": "helper"}) for e in entries if e.kind == "said"}
    said = [e._replace(text=helper.get(e.seq, e.text)) for e in entries]
    assert derive([said[0], device, *said[1:]]).visit["microphone"] == name


def test_backup_and_restore(where: str, visit: Path, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    with Store.open(where, make=True) as store:
        store.receive(from_record(visit))
        store.add_review(from_record(visit).id, BY_HAND)
        wanted = everything(store)
        copies.backup(where, tmp_path / "backup")
    with pytest.raises(Problem, match="exists already"):
        copies.backup(where, tmp_path / "backup")
    with pytest.raises(Problem, match=r"exists already|not empty"):
        copies.restore(tmp_path / "backup", where)
    is_file = "://" not in where
    other = str(tmp_path / "new.sqlite") if is_file else request.getfixturevalue("postgresql").database()
    copies.restore(tmp_path / "backup", other)
    with Store.open(other) as restored:
        assert everything(restored) == wanted
        assert restored.receive(from_record(visit)) == "there already"
    (tmp_path / "torn").write_bytes((tmp_path / "backup").read_bytes()[:5000])
    third = str(tmp_path / "third.sqlite") if is_file else request.getfixturevalue("postgresql").database()
    with pytest.raises(Problem):
        copies.restore(tmp_path / "torn", third)
    if is_file:
        assert not Path(third).exists()


def test_what_is_no_store_is_told_in_one_sentence(tmp_path: Path, visit: Path) -> None:
    with pytest.raises(Problem, match="There is no store"):
        Store.open(str(tmp_path / "absent.sqlite"))
    with pytest.raises(Problem, match="it is no store"):
        Store.open(str(copied(visit, tmp_path / "mine")), make=True)
    with pytest.raises(Problem, match="SQLite file or a PostgreSQL address"):
        Store.open("mysql://somewhere/else", make=True)
    with pytest.raises(StoreDown, match="does not answer"):
        Store.open("postgresql://shop@127.0.0.1:1/none", make=True)


def differences(store: Store) -> list[object]:
    """Between the tables of a store and those of the schema."""
    with store._asked() as connection:
        return compare_metadata(MigrationContext.configure(connection), s.metadata)


def test_both_databases_find_the_same(store: Store, visit: Path) -> None:
    store.receive(from_record(visit))
    igniter = ReadingSearch(quantity="igniter-resistance", since="2026-01-01", until="2026-01-05")
    found = store.readings(igniter, 0, 9)
    assert [(each.value, each.outcome, each.site) for each in found] == [
        ("61.7", "pass", "14 Example Lane, basement (invented)"),
        ("open", "fail", "14 Example Lane, basement (invented)"),
    ]
    assert [each.value for each in store.readings(replace(igniter, above=Decimal("61.6")), 0, 9)] == ["61.7"]
    assert store.readings(replace(igniter, below=Decimal("61.7")), 0, 9) == []
    assert [each.value for each in store.readings(replace(igniter, value="open"), 0, 9)] == ["open"]
    assert store.readings(replace(igniter, since="2026-01-06", until=""), 0, 9) == []
    assert store.readings(replace(igniter, words="no such street"), 0, 9) == []
    assert len(store.readings(igniter, 1, 9)) == 1
    (day,) = store.days("2026-01-01")
    assert (day.day, day.crew, day.visits, day.unsafe) == ("2026-01-05", "Sam Doe (invented)", 1, 1)
    assert store.days("2026-01-06") == []
    assert {(each.name, each.due) for each in store.meters("2026-01-01")} >= {("multimeter (invented)", "2027-03-02")}
    assert {each.step: each.refused for each in store.steps("crew", "2026-01-01")}["flame"] == 1
    assert store.steps("crew", "2026-01-06") == []
    Accounts(store).put("Pat", "owner")
    Accounts(store).set_password("Pat", "three invented words")
    assert Accounts(store).by_password("Pat", "three invented words")
    link = Accounts(store).make_link("Pat")
    assert Accounts(store).by_link(link)
    assert Accounts(store).by_link(link) is None


def test_a_store_of_the_first_version_is_one_of_today(tmp_path: Path, visit: Path) -> None:
    old = tmp_path / "old.sqlite"
    with sqlite3.connect(old) as file:
        file.executescript((Path(__file__).parent / "version-0001.sql").read_text(encoding="utf-8"))
    file.close()
    with Store.open(str(old)) as store, Store.open(str(tmp_path / "new.sqlite"), make=True) as new:
        assert differences(store) == differences(new) == []
        assert store.receive(from_record(visit)) == "stored"
    with sqlite3.connect(old) as file, pytest.raises(sqlite3.IntegrityError, match="never changed"):
        file.execute("UPDATE entry SET body = '{}'")
    file.close()


def test_a_later_change_is_made_to_a_store_that_is_there(
    where: str, visit: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store.open(where, make=True) as store:
        store.receive(from_record(visit))
    later = shutil.copytree(Path(store_module.__file__).parent / "migrations", tmp_path / "migrations")
    (later / "versions" / "v0004_later.py").write_text(
        "import sqlalchemy as sa\nfrom alembic import op\nrevision, down_revision = '0004', '0003'\n"
        "def upgrade():\n    op.add_column('visit', sa.Column('later', sa.Text()))\n"
    )
    with monkeypatch.context() as patch:
        patch.setattr(store_module, "MIGRATIONS", str(later))
        with Store.open(where) as store:
            assert len(differences(store)) == 1
            assert len(store.visits(Search(), 0, 9)) == 1
        with Store.open(where) as store:
            assert len(differences(store)) == 1
    with pytest.raises(Problem, match="newer version"):
        Store.open(where)
