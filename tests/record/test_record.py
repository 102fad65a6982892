"""The record: it only grows, it survives being killed, it shows tampering, and it says what is wrong.

A kill -9 is not a loss of power: what the device does with a synced write when the power goes is beyond these
tests (that takes a fault-injecting file system or a virtual machine).
"""

import contextlib
import hashlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest
from doubles import TestClock
from hypothesis import given, settings
from hypothesis import strategies as st

import assistant
from assistant.errors import Problem
from assistant.record import record as record_module
from assistant.record.chain import GENESIS, canonical_json, chained, from_line, to_line, verify_entries, verify_head
from assistant.record.record import APPLICATION_ID, END, SCHEMA_VERSION, Record, system_clock


@pytest.fixture
def path(tmp_path):
    return tmp_path / "visit.sqlite"


@pytest.fixture
def clock():
    return TestClock()


@pytest.fixture
def five(path, clock):
    """A closed record of five entries."""
    with Record.create(path, clock) as record:
        for n in range(1, 6):
            record.append([("reading", {"step": n, "value": "1.50"})])
            clock.advance(1.5)
    return path


@contextlib.contextmanager
def raw(path):
    """The file past the program: for looking, and for tampering."""
    connection = sqlite3.connect(path)
    try:
        yield connection
        connection.commit()
    finally:
        connection.close()


def drop_triggers(connection):
    for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")


def assert_one_sentence_about(problem, path):
    text = str(problem.value)
    assert str(path) in text
    assert "\n" not in text
    assert ". " not in text.replace(str(path), "")


# appending and reading


def test_what_is_appended_is_read_back(path, clock):
    with Record.create(path, clock) as record:
        assert (record.head, list(record.entries())) == (GENESIS, [])
        first = record.append([("heard", {"text": "one two zero"}), ("reading", {"value": "120", "unit": "volt"})])
        clock.advance(2.25)
        second = record.append([("said", {"text": "one two zero volts; ½ µA"})])
        assert [e.seq for e in first + second] == [1, 2, 3]
        assert record.head == second[-1].hash

    with Record.open(path) as record:
        assert list(record.entries()) == first + second
        assert record.verify() == []
    assert first[0].utc == first[1].utc == "2026-01-05T09:00:00.000Z"
    assert (second[0].utc, second[0].monotonic_s) == ("2026-01-05T09:00:02.250Z", 2.25)
    assert first[1].body == {"unit": "volt", "value": "120"}
    assert first[0].previous == GENESIS
    assert second[0].previous == first[1].hash


def test_appending_goes_on_where_the_record_ended(five, clock):
    with Record.open(five, clock=clock) as record:
        head = record.head
        (entry,) = record.append([("note", {})])
        assert (entry.seq, entry.previous) == (6, head)
        assert record.verify() == []


def test_the_second_writer_is_refused(five):
    with Record.open(five) as first:
        with pytest.raises(Problem, match="being written by another process") as problem:
            Record.open(five)
        assert_one_sentence_about(problem, five)
        first.append([("note", {})])
    with Record.open(five) as second:  # the first let go of it
        assert len(list(second.entries())) == 6


def test_a_writer_that_was_killed_locks_nobody_out(five):
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(five)], env=child_environment(), stdout=subprocess.PIPE, text=True
    )
    with child:
        child.stdout.readline()  # it has the lock
        with pytest.raises(Problem, match="another process"):
            Record.open(five)
        child.kill()
    Record.open(five).close()


def test_nothing_follows_the_end(five):
    with Record.open(five) as record:
        record.append([(END, {})])
        with pytest.raises(Problem, match="takes no more entries") as problem:
            record.append([("note", {})])
        assert_one_sentence_about(problem, five)
        assert len(list(record.entries())) == 6


def test_a_finished_record_is_one_file(five):
    with Record.open(five) as record:
        record.append([("note", {})])
        assert Path(f"{five}-wal").exists()
        record.finish()
    assert not Path(f"{five}-wal").exists()
    assert verify(five) == []


VERSION_1 = Path(__file__).parent / "version-1.sql"


def test_a_record_of_version_1_is_read_as_it_is_and_migrated_to_be_written(path):
    """The file is one that version 1 wrote, as SQL text."""
    with raw(path) as db:
        db.executescript(VERSION_1.read_text(encoding="utf-8"))
    before = path.read_bytes()
    with Record.open(path, read_only=True) as record:
        assert (record.version, record.verify()) == (1, [])
        entries = list(record.entries())
    assert path.read_bytes() == before
    with Record.open(path) as record:
        assert record.version == SCHEMA_VERSION
        assert list(record.entries()) == entries
        record.append([(END, {})])
        with pytest.raises(Problem, match="takes no more entries"):
            record.append([("note", {})])
        assert record.verify() == []
    with raw(path) as db:
        made = {sql for (sql,) in db.execute("SELECT sql FROM sqlite_schema")}
    new = path.with_name("new.sqlite")
    Record.create(new).close()
    with raw(new) as db:
        assert made == {sql for (sql,) in db.execute("SELECT sql FROM sqlite_schema")}


def test_appending_nothing_changes_nothing(five):
    with Record.open(five) as record:
        head = record.head
        assert record.append([]) == []
        assert record.head == head


@pytest.mark.parametrize("bad", [{"value": float("nan")}, {"value": object()}, {"text": "\ud800"}])
def test_a_batch_with_a_body_that_has_no_json_leaves_nothing(five, bad):
    with Record.open(five) as record:
        with pytest.raises((ValueError, TypeError)):
            record.append([("note", {"fine": True}), ("note", bad)])
        assert len(list(record.entries())) == 5
        record.append([("note", {"after": True})])
        assert record.verify() == []


texts = st.text(st.characters(codec="utf-8"))
json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=8,
)
bodies = st.dictionaries(texts, json_values, max_size=4)


@settings(max_examples=settings.default.max_examples // 5)  # each is a file on the disk
@given(batches=st.lists(st.lists(st.tuples(texts, bodies), max_size=3), max_size=4), monotonic=st.floats(0, 1e9))
def test_any_json_comes_back_as_it_went_in(tmp_path_factory, batches, monotonic):
    path = tmp_path_factory.mktemp("any") / "visit.sqlite"
    with Record.create(path, TestClock(monotonic_s=monotonic)) as record:
        appended = [entry for batch in batches for entry in record.append(batch)]
    with Record.open(path, read_only=True) as record:
        assert list(record.entries()) == appended
        assert [(e.kind, e.body) for e in appended] == [pair for batch in batches for pair in batch]
        assert record.verify() == []


def test_the_hash_is_as_documented(five):
    """Recomputed here without the module, from its docstring."""
    previous = "0" * 64
    with raw(five) as db:
        rows = db.execute("SELECT seq, kind, utc, monotonic_s, body, previous, hash FROM entry ORDER BY seq")
        for seq, kind, utc, monotonic_s, body, given_previous, given_hash in rows:
            array = [seq, kind, utc, monotonic_s, body, previous]
            text = json.dumps(array, separators=(",", ":"), ensure_ascii=False)
            assert hashlib.sha256(text.encode("utf-8")).hexdigest() == given_hash
            assert given_previous == previous
            previous = given_hash


def test_canonical_json_is_one_text_whatever_the_order():
    assert canonical_json({"b": 1, "a": "µ", "é": [1.5, None]}) == '{"a":"µ","b":1,"é":[1.5,null]}'
    assert canonical_json({"b": 1, "a": 2}) == canonical_json({"a": 2, "b": 1})


# the file


def test_the_file_says_what_it_is_and_syncs_every_commit(five):
    with raw(five) as db:
        assert db.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
        assert db.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
        (sql,) = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'entry'").fetchone()
        assert sql.endswith("STRICT")
    with Record.open(five) as record:
        assert record._connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert record._connection.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entry SET body = '{}' WHERE seq = 2",
        "DELETE FROM entry WHERE seq = 5",
        "DELETE FROM entry",
        "INSERT OR REPLACE INTO entry VALUES (2, 'k', 'u', 0, '{}', 'p', 'h')",
        "INSERT INTO entry VALUES (9, 'k', 'u', 0, '{}', 'p', 'h')",
        "INSERT INTO entry VALUES (0, 'k', 'u', 0, '{}', 'p', 'h')",
    ],
)
def test_the_file_itself_refuses_every_change(five, statement):
    with raw(five) as db, pytest.raises(sqlite3.IntegrityError, match=r"never|only grows"):
        db.execute(statement)
    with Record.open(five) as record:
        assert record.verify() == []
        assert len(list(record.entries())) == 5


def test_a_name_with_odd_characters(tmp_path):
    path = tmp_path / "visit #3? 50% é.sqlite"
    with Record.create(path) as record:
        record.append([("note", {})])
    assert path.exists()
    with Record.open(path, read_only=True) as record:
        assert len(list(record.entries())) == 1


def test_reading_while_another_writes(five):
    with Record.open(five) as writer, Record.open(five, read_only=True) as reader:
        writer.append([("note", {})])
        assert len(list(reader.entries())) == 6
        assert reader.head == writer.head


# clocks


def test_system_clock():
    (utc, monotonic_s), (_, later_s) = system_clock(), system_clock()
    assert utc.endswith("Z")
    assert len(utc) == len("2026-01-05T09:00:00.000Z")
    assert monotonic_s <= later_s


def test_scripted_clock_stands_still_until_told():
    clock = TestClock("2026-03-01T23:59:59.999Z", 10)
    assert clock() == clock() == ("2026-03-01T23:59:59.999Z", 10)
    clock.advance(0.001)
    assert clock() == ("2026-03-02T00:00:00.000Z", pytest.approx(10.001))


# what a person is told


def test_create_refuses_an_existing_file(five):
    before = five.read_bytes()
    with pytest.raises(Problem, match="exists already") as problem:
        Record.create(five)
    assert_one_sentence_about(problem, five)
    assert five.read_bytes() == before


def test_create_in_a_folder_that_is_not_there(tmp_path):
    path = tmp_path / "nowhere" / "visit.sqlite"
    with pytest.raises(Problem, match="cannot be made") as problem:
        Record.create(path)
    assert_one_sentence_about(problem, path)


def test_a_missing_file(path):
    for read_only in (False, True):
        with pytest.raises(Problem, match="There is no visit record") as problem:
            Record.open(path, read_only=read_only)
        assert_one_sentence_about(problem, path)
        assert not path.exists()


@pytest.mark.parametrize("content", [b"", b"not a database, only some text that is long enough to be read" * 20])
@pytest.mark.parametrize("read_only", [False, True])
def test_a_file_that_is_no_database(path, content, read_only):
    path.write_bytes(content)
    with pytest.raises(Problem, match="is not a visit record") as problem:
        Record.open(path, read_only=read_only)
    assert_one_sentence_about(problem, path)
    assert path.read_bytes() == content


def test_somebody_elses_database_is_refused_and_left_alone(path):
    with raw(path) as db:
        db.execute("CREATE TABLE entry (seq INTEGER PRIMARY KEY, hash TEXT)")
    before = path.read_bytes()
    with pytest.raises(Problem, match="is not a visit record") as problem:
        Record.open(path)
    assert_one_sentence_about(problem, path)
    assert path.read_bytes() == before


def test_a_newer_version_opens_for_reading_only(five):
    with raw(five) as db:
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    with pytest.raises(
        Problem, match=rf"newer version.*schema {SCHEMA_VERSION + 1}, known here: {SCHEMA_VERSION}.*for reading only"
    ) as problem:
        Record.open(five)
    assert_one_sentence_about(problem, five)
    with Record.open(five, read_only=True) as record:
        assert len(list(record.entries())) == 5


def test_open_for_reading_does_not_write(five):
    before = five.read_bytes()
    with Record.open(five, read_only=True) as record:
        assert record.verify() == []
        with pytest.raises(Problem, match=r"could not be written \(it is open for reading only\)") as problem:
            record.append([("note", {})])
    assert_one_sentence_about(problem, five)
    assert five.read_bytes() == before


def test_locked_by_another_process(five, monkeypatch):
    monkeypatch.setattr(record_module, "BUSY_TIMEOUT_S", 0.1)
    with Record.open(five) as record, raw(five) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(Problem, match=r"another process has it locked.*assistant visit --resume") as problem:
            record.append([("note", {})])
        assert_one_sentence_about(problem, five)
        other.rollback()
        record.append([("note", {})])
        assert record.verify() == []


def test_disk_full(five):
    """SQLite's own page limit stands in for a full disk: it fails at the same place with the same code."""
    with Record.open(five) as record:
        (pages,) = record._connection.execute("PRAGMA page_count").fetchone()
        record._connection.execute(f"PRAGMA max_page_count = {pages + 2}")
        acknowledged = 5

        def fill_the_disk():
            nonlocal acknowledged
            while acknowledged < 100:
                record.append([("note", {"text": "x" * 500})])
                acknowledged += 1

        with pytest.raises(Problem, match="disk full") as problem:
            fill_the_disk()
        assert_one_sentence_about(problem, five)
        assert str(problem.value) == (
            f"The record {five} could not be written (disk full); nothing already recorded is lost; free "
            "some space and run: assistant visit --resume"
        )
        assert acknowledged > 5
        assert len(list(record.entries())) == acknowledged
        assert record.verify() == []

        record._connection.execute("PRAGMA max_page_count = 100000")  # somebody freed some space
        record.append([("note", {})])
        assert record.verify() == []
    with Record.open(five) as record:
        assert len(list(record.entries())) == acknowledged + 1


def test_write_error(five):
    """The system refuses to let the log grow: an I/O error from a real write."""
    resource = pytest.importorskip("resource")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    with Record.open(five) as record:
        record.append([("note", {})])
        log_size = Path(f"{five}-wal").stat().st_size
        resource.setrlimit(resource.RLIMIT_FSIZE, (log_size, hard))
        try:
            with pytest.raises(Problem, match=r"could not be written \(.*nothing already recorded is lost") as problem:
                record.append([("note", {"text": "x" * 5000})])
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert_one_sentence_about(problem, five)
        assert len(list(record.entries())) == 6
        record.append([("note", {"after": True})])
        assert record.verify() == []


READ_AS_NOBODY = """
import os
import sys
from pathlib import Path
from assistant.record.record import Record

if os.getuid() == 0:  # root may write anywhere
    os.setuid(65534)
print(Record.open(Path(sys.argv[1]), read_only=True).verify())
"""


@pytest.mark.skipif(not hasattr(os, "setuid"), reason="no folder modes on this system")
def test_reading_from_a_folder_that_cannot_be_written(five):
    with tempfile.TemporaryDirectory() as name:  # pytest's own folders are closed to other users
        folder = Path(name)
        shutil.copy(five, folder)
        folder.chmod(0o555)
        try:
            done = run_child(READ_AS_NOBODY, folder / five.name)
            files = sorted(p.name for p in folder.iterdir())
        finally:
            folder.chmod(0o755)
    assert done.stdout == "[]\n", done.stderr
    assert files == [five.name]


# tampering


def test_a_sound_record_has_nothing_to_report(five):
    with Record.open(five, read_only=True) as record:
        assert record.verify() == []
        assert verified(record, record.head) == []
        assert verified(record, record.head[:8]) == []


def verified(record, head):
    return [*record.verify(), *verify_head(list(record.rows()), head)]


def verify(path, witnessed_head=""):
    with Record.open(path, read_only=True) as record:
        return verified(record, witnessed_head) if witnessed_head else record.verify()


def test_one_byte_of_a_body_changed(five):
    with raw(five) as db:
        drop_triggers(db)
        db.execute("UPDATE entry SET body = replace(body, '1.50', '1.60') WHERE seq = 3")
    assert verify(five) == ["Entry 3 is not what was recorded: its hash does not match."]


@pytest.mark.parametrize(
    "change", ["kind = 'note'", "utc = '2026-01-05T09:00:03.001Z'", "monotonic_s = monotonic_s + 0.001"]
)
def test_any_other_column_changed(five, change):
    with raw(five) as db:
        drop_triggers(db)
        db.execute(f"UPDATE entry SET {change} WHERE seq = 3")
    assert verify(five) == ["Entry 3 is not what was recorded: its hash does not match."]


def test_an_entry_changed_and_hashed_anew_breaks_the_next(five):
    with raw(five) as db:
        drop_triggers(db)
        row = db.execute("SELECT seq, kind, utc, monotonic_s, '{}', previous FROM entry WHERE seq = 3").fetchone()
        text = json.dumps(row, separators=(",", ":"), ensure_ascii=False)
        new_hash = hashlib.sha256(text.encode()).hexdigest()
        db.execute("UPDATE entry SET body = '{}', hash = ? WHERE seq = 3", (new_hash,))
    assert verify(five) == ["Entry 4 does not follow from the entry before it."]


def test_an_entry_deleted(five):
    with raw(five) as db:
        drop_triggers(db)
        db.execute("DELETE FROM entry WHERE seq = 2")
    assert verify(five) == ["Entry 2 is missing."]


def test_several_entries_deleted(five):
    with raw(five) as db:
        drop_triggers(db)
        db.execute("DELETE FROM entry WHERE seq <= 3")
    assert verify(five) == ["Entries 1 to 3 are missing."]


def test_an_entry_deleted_and_the_gap_closed(five):
    with raw(five) as db:
        drop_triggers(db)
        db.execute("DELETE FROM entry WHERE seq = 2")
        for seq in (3, 4, 5):
            db.execute("UPDATE entry SET seq = ? WHERE seq = ?", (seq - 1, seq))
    assert "Entry 2 does not follow from the entry before it." in verify(five)


def test_entries_in_another_order(five):
    with raw(five) as db:
        drop_triggers(db)
        for old, new in ((2, 99), (3, 2), (99, 3)):
            db.execute("UPDATE entry SET seq = ? WHERE seq = ?", (new, old))
    found = verify(five)
    assert found == [
        "Entry 2 was moved: it was recorded as entry 3.",
        "Entry 3 was moved: it was recorded as entry 2.",
    ]


def test_an_entry_put_in_between(five):
    with raw(five) as db:
        drop_triggers(db)
        for seq in (5, 4, 3):
            db.execute("UPDATE entry SET seq = ? WHERE seq = ?", (seq + 1, seq))
        (previous,) = db.execute("SELECT hash FROM entry WHERE seq = 2").fetchone()
        (row,) = chained((2, previous), [("reading", '{"value":"9"}')], "2026-01-05T09:00:02.000Z", 2.0)
        db.execute("INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?)", row)
    assert verify(five) == [
        "Entry 3 was added: no entry follows from it.",
        "Entry 4 was moved: it was recorded as entry 3.",
        "Entry 5 was moved: it was recorded as entry 4.",
        "Entry 6 was moved: it was recorded as entry 5.",
    ]


def test_an_entry_added_after_the_visit_was_closed_shows_by_the_witnessed_head(five):
    with Record.open(five) as record:
        head = record.append([("closed", {})])[0].hash
        record.append([("reading", {"value": "9"})])
        assert record.verify() == []
        (found,) = verified(record, head[:8])
        assert found.startswith("Entry 7 was added after the visit was closed")


def test_the_head_that_is_said_is_that_before_the_end(five):
    with Record.open(five) as record:
        head = record.append([("closed", {})])[0].hash
        record.append([("end", {})])
        assert verified(record, head[:8]) == verified(record, record.head[:8]) == []


def test_an_emergency_opens_a_closed_visit_again(five):
    with Record.open(five) as record:
        record.append([("closed", {})])
        head = record.append([("said", {}), ("emergency", {})])[-1].hash
        record.append([("reading", {"value": "9"})])
        assert verified(record, head[:8]) == []


def test_rows_of_any_order_are_verified(five):
    with Record.open(five, read_only=True) as record:
        rows = list(record.rows())
    assert verify_entries(rows) == []
    assert verify_entries([rows[0], *rows]) == ["Entry 1 is there twice."]
    assert "Entry 2 is out of order: it stands after entry 3." in verify_entries(
        [*rows[:1], rows[2], rows[1], *rows[3:]]
    )
    assert [from_line(to_line(row)) for row in rows] == rows


def test_an_end_cut_off_shows_only_by_the_witnessed_head(five):
    with Record.open(five, read_only=True) as record:
        head = record.head
    with raw(five) as db:
        drop_triggers(db)
        db.execute("DELETE FROM entry WHERE seq = 5")
    assert verify(five) == []
    assert verify(five, head) == [
        f"No entry has the witnessed head {head}: this is not all of that record, or another one."
    ]
    assert len(verify(five, head[:8])) == 1


def test_text_that_is_no_text(five):
    with raw(five) as db:
        drop_triggers(db)
        db.execute("UPDATE entry SET body = CAST(x'7b22ff227d' AS TEXT) WHERE seq = 3")
    assert verify(five) == ["The file is damaged: nothing after entry 2 can be read."]
    with Record.open(five) as record, pytest.raises(Problem) as problem:
        list(record.entries())
    assert_one_sentence_about(problem, five)


def test_a_body_that_is_no_json(five):
    with raw(five) as db:
        drop_triggers(db)
        db.execute("UPDATE entry SET body = '{' WHERE seq = 3")
    with Record.open(five) as record, pytest.raises(Problem, match="Entry 3 of the visit record") as problem:
        list(record.entries())
    assert_one_sentence_about(problem, five)


def test_a_damaged_page(path, clock):
    with Record.create(path, clock) as record:
        for n in range(200):
            record.append([("note", {"n": n, "text": "x" * 100})])
    content = bytearray(path.read_bytes())
    content[3 * 4096 : 4 * 4096] = os.urandom(4096)
    path.write_bytes(content)
    assert verify(path)


# kill -9

CHILD = """
import sys
from pathlib import Path
from assistant.record.record import Record

with Record.open(Path(sys.argv[1])) as record:
    while True:
        entries = record.append([("reading", {"text": "x" * 200})] * 3)
        print(entries[-1].seq, entries[-1].hash, flush=True)
"""


def child_environment():
    return os.environ | {"PYTHONPATH": str(Path(assistant.__file__).parent.parent)}


def run_child(code, *arguments):
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        env=child_environment(),
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no kill -9 on this system")
def test_kill_9_loses_nothing_acknowledged(path, record_property):
    """Twenty times: append, acknowledge, be killed at a random moment; then open, look, and go on."""
    moments = random.Random(20260105)
    Record.create(path).close()
    acknowledged: dict[int, str] = {}
    for _ in range(20):
        before = max(acknowledged, default=0)
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(path)],
            env=child_environment(),
            stdout=subprocess.PIPE,
            text=True,
        )
        with child:
            acknowledged |= acknowledgement(child.stdout.readline())
            time.sleep(moments.uniform(0, 0.05))
            child.kill()
            for line in child.stdout:
                acknowledged |= acknowledgement(line)
        assert child.returncode == -signal.SIGKILL
        assert max(acknowledged) > before

        with Record.open(path) as record:
            hashes = {e.seq: e.hash for e in record.entries()}
            assert record.verify() == []
        assert acknowledged.items() <= hashes.items()
        assert len(hashes) % 3 == 0, "half a batch is in the record"
    record_property("acknowledged", len(acknowledged))


def acknowledgement(line):
    if not line.endswith("\n"):  # cut off by the kill: not acknowledged
        return {}
    seq, entry_hash = line.split()
    return {int(seq): entry_hash}
