"""The record of a visit: one SQLite file that only grows.

Layout (schema version 2)
-------------------------
One table::

    entry(seq INTEGER PRIMARY KEY,  -- 1, 2, 3 ... without gaps
          kind TEXT,                -- what the entry is
          utc TEXT,                 -- wall clock, ISO 8601 with milliseconds and Z
          monotonic_s REAL,         -- seconds on a clock that is never set; for intervals within one run
          body TEXT,                -- canonical JSON of an object
          previous TEXT,            -- hash of the entry before; 64 zeros for the first
          hash TEXT) STRICT         -- see assistant.record.chain

Triggers refuse every UPDATE and DELETE, every INSERT that is not the next entry, and every INSERT after an entry
of the kind `END`. The file says what it is: ``PRAGMA application_id`` is `APPLICATION_ID`,
``PRAGMA user_version`` the schema version. The kinds and their bodies are in docs/record.md.

Version 1 had no end: nothing but the program itself refused an entry after the visit was closed. `MIGRATIONS`
brings a file to the version of today when it is opened to be written; its entries stay as they are, since the
chain holds them. A file is read as it is, whatever its version.

Durability
----------
WAL with ``synchronous=FULL``: when `Record.append` returns, the entries are synced to the device. They then
outlive a crash of the program, and a loss of power as far as the device keeps its promise to sync. A batch is
there whole or not at all. `Record.finish` ends the write-ahead log, so that a finished visit is one file.

One writer
----------
Whoever opens a record to write it holds a lock on the file of its name that ends in ``.lock``. The system lets
go of it when the process ends, however it ends; the file itself stays and means nothing. Reading needs no lock.
"""

import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import filelock

from assistant.errors import NotWritten, Problem
from assistant.record.chain import COLUMNS, GENESIS, Entry, canonical_json, chained, verify_entries

APPLICATION_ID = 0x49474E56  # "IGNV"
"""Marks an SQLite file as a visit record."""

SCHEMA_VERSION = 2

END = "end"
"""The kind of the last entry of a finished visit: nothing follows it."""

UTTERANCES = ("said", "set-up")
"""The kinds that are something said, each with its recording if that was kept."""

LARGEST = 32_000_000
"""Bytes of a record that is read: a whole visit takes less than one hundredth of that."""

BUSY_TIMEOUT_S = 2.0
"""How long to wait for another process that is writing: a commit takes milliseconds, and people wait for the
voice that follows it."""

_SCHEMA_1 = f"""
PRAGMA application_id = {APPLICATION_ID};
PRAGMA user_version = 1;
CREATE TABLE entry (
    seq INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    utc TEXT NOT NULL,
    monotonic_s REAL NOT NULL,
    body TEXT NOT NULL,
    previous TEXT NOT NULL,
    hash TEXT NOT NULL
) STRICT;
CREATE TRIGGER entry_is_never_changed BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'an entry of a visit record is never changed'); END;
CREATE TRIGGER entry_is_never_deleted BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'an entry of a visit record is never deleted'); END;
-- INSERT OR REPLACE would otherwise change an entry without either trigger above.
CREATE TRIGGER entry_is_only_appended BEFORE INSERT ON entry
WHEN NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM entry)
BEGIN SELECT RAISE(ABORT, 'a visit record only grows at its end'); END;
"""

MIGRATIONS: Mapping[int, str] = {
    1: f"""
CREATE TRIGGER entry_is_not_after_the_end BEFORE INSERT ON entry
WHEN (SELECT kind FROM entry ORDER BY seq DESC LIMIT 1) = '{END}'
BEGIN SELECT RAISE(ABORT, 'a visit record never grows after its end'); END;
PRAGMA user_version = 2;
""",
}
"""Schema version -> the SQL that makes a file of that version one of the next. A new file takes them all."""

_UNREADABLE = (sqlite3.Error, UnicodeDecodeError)
"""What reading a damaged file raises: SQLite's message about it may hold a piece of the damage."""

_COLUMNS = ", ".join(COLUMNS)


Clock = Callable[[], tuple[str, float]]
"""Tells the time of an entry: the wall clock as `utc_now`, and seconds since a moment of this run, never set back."""


def system_clock() -> tuple[str, float]:
    """The machine's clocks."""
    return utc_now(), time.monotonic()


def utc_now() -> str:
    """The time, UTC, as entries have it: ISO 8601 with milliseconds and Z."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Record:
    """A visit's record, open. Use `create` or `open`, and close it or use it as a context manager.

    What a person can mend is raised as `assistant.errors.Problem`. One record is used from one thread.
    """

    def __init__(
        self, path: Path, connection: sqlite3.Connection, clock: Clock, lock: filelock.BaseFileLock | None = None
    ) -> None:
        self.path = path
        self._connection = connection
        self.now = clock
        self._lock = lock

    @classmethod
    def create(cls, path: Path, clock: Clock = system_clock) -> Self:
        """Make a new, empty record.

        Raises:
            Problem: if the file exists or cannot be made.
        """
        try:
            path.open("xb").close()  # refuses an existing file without a moment in between
        except FileExistsError:
            raise Problem(
                f"The visit record {path} exists already; give another name, or go on with it by running: "
                "assistant visit --resume"
            ) from None
        except OSError as error:
            raise _cannot_make(path, error.strerror or str(error)) from None
        connection = None
        lock = lock_of(path)
        try:
            connection = _connect(path, "rw")
            _prepare_to_write(connection)
            # One transaction: a crash leaves a whole record, or a file that is plainly none.
            schema = "".join((_SCHEMA_1, *(sql for _, sql in sorted(MIGRATIONS.items()))))
            connection.executescript(f"BEGIN IMMEDIATE; {schema} COMMIT;")
        except sqlite3.Error as error:
            if connection:
                connection.close()
            lock.release()
            path.unlink()
            raise _cannot_make(path, str(error)) from None
        return cls(path, connection, clock, lock)

    @classmethod
    def open(cls, path: Path, *, read_only: bool = False, clock: Clock = system_clock) -> Self:
        """Open a record that exists.

        Opening does not check the chain; `verify` does.

        Args:
            path: the file.
            read_only: leave the file as it is. A record of a newer version opens only so.
            clock: tells the time of what is appended.

        Raises:
            Problem: if the file is missing, is no visit record, or, to be written, is newer than this program
                knows, sealed, or open in another process.
        """
        if not path.is_file():
            raise Problem(f"There is no visit record {path}; check the name, or start a visit to make one.")
        if read_only and path.stat().st_size > LARGEST:
            raise Problem(f"The file {path} is larger than any visit record ({path.stat().st_size / 1e6:.0f} MB).")
        if not read_only and seal_of(path).exists():
            raise Problem(f"The visit record {path} is finished and sealed; open it for reading only.")
        connection = lock = None
        try:
            lock = None if read_only else lock_of(path)
            connection = _connect_to_read(path) if read_only else _connect(path, "rw")
            (application_id,) = connection.execute("PRAGMA application_id").fetchone()
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            if application_id != APPLICATION_ID:
                raise _not_a_record(path)
            if not read_only:
                if version > SCHEMA_VERSION:
                    raise Problem(
                        f"The visit record {path} was made by a newer version of this program (schema "
                        f"{version}, known here: {SCHEMA_VERSION}); update the program to go on with it, or "
                        "open it for reading only."
                    )
                _prepare_to_write(connection)
                for older in range(version, SCHEMA_VERSION):
                    connection.executescript(f"BEGIN IMMEDIATE; {MIGRATIONS[older]} COMMIT;")
        except (*_UNREADABLE, Problem) as error:
            if connection:
                connection.close()
            if lock:
                lock.release()
            raise error if isinstance(error, Problem) else _not_readable(path, error) from None
        return cls(path, connection, clock, lock)

    @property
    def version(self) -> int:
        """The schema version of the file."""
        return int(self._connection.execute("PRAGMA user_version").fetchone()[0])

    def append(self, entries: Sequence[tuple[str, Mapping[str, Any]]]) -> list[Entry]:
        """Record entries, all or none, and return once they are synced.

        All of them get the same time. The bodies come back as they will be read again (a tuple as a list).

        Args:
            entries: pairs (kind, body); a body is a JSON object.

        Raises:
            NotWritten: if they could not be written; nothing of them is in the record then.
            TypeError, ValueError: if a body has no canonical JSON; nothing is written.
        """
        utc, monotonic_s = self.now()
        bodies = [(kind, canonical_json(dict(body))) for kind, body in entries]
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            appended = list(chained(self.last(), bodies, utc, monotonic_s))
            self._connection.executemany(f"INSERT INTO entry ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)", appended)
            self._connection.execute("COMMIT")
        except sqlite3.IntegrityError as error:
            raise Problem(f"The visit record {self.path} takes no more entries: {error}.") from None
        except sqlite3.Error as error:
            raise self._not_written(error) from None
        finally:
            with suppress(sqlite3.Error):  # the error that led here says more
                self._connection.rollback()
        return appended

    def entries(self, after: int = 0) -> Iterator[Entry]:
        """The entries from first to last, or those after entry number `after`.

        Raises:
            Problem: if the file is damaged.
        """
        return whole(self.rows(after), self.path)

    @property
    def head(self) -> str:
        """Hash of the last entry, hex; `GENESIS` if there is none. Noted elsewhere, it fixes the record."""
        try:
            return self.last()[1]
        except _UNREADABLE as error:
            raise _not_readable(self.path, error) from None

    def verify(self) -> list[str]:
        """Check the chain from its first entry to its last.

        Returns:
            What is wrong, a sentence each, naming the entry; nothing if the record is sound.
        """
        read: list[Entry] = []
        try:
            read.extend(self.rows())
        except Problem:
            last = read[-1].seq if read else 0
            return [*verify_entries(read), f"The file is damaged: nothing after entry {last} can be read."]
        return verify_entries(read)

    def finish(self) -> None:
        """Makes the file whole: the write-ahead log goes into it and is left out. Appending goes on with a log.

        Raises:
            Problem: if another program has the file open.
        """
        try:
            (journal,) = self._connection.execute("PRAGMA journal_mode = DELETE").fetchone()
        except sqlite3.Error as error:
            raise _not_readable(self.path, error) from None
        if journal != "delete":
            raise Problem(f"The visit record {self.path} is open elsewhere; close the other program and try again.")

    def close(self) -> None:
        """Close the file and let go of its lock. Closing twice is harmless."""
        self._connection.close()
        if self._lock:
            self._lock.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def last(self) -> tuple[int, str]:
        """The number of entries, and the hash of the last; `GENESIS` if there is none."""
        row = self._connection.execute("SELECT seq, hash FROM entry ORDER BY seq DESC LIMIT 1").fetchone()
        return (row[0], row[1]) if row else (0, GENESIS)

    def rows(self, after: int = 0) -> Iterator[Entry]:
        """The rows from first to last, as they are in the file; or those after number `after`.

        Raises:
            Problem: if the file is damaged.
        """
        try:
            select = f"SELECT {_COLUMNS} FROM entry WHERE seq > ? ORDER BY seq"
            for row in map(Entry._make, self._connection.execute(select, (after,))):
                if not row.has_its_types:
                    raise _damaged(row.seq, self.path)
                yield row
        except _UNREADABLE as error:
            raise _not_readable(self.path, error) from None

    def _not_written(self, error: sqlite3.Error) -> NotWritten:
        code = _primary_code(error)
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            cause, remedy = "another process has it locked", "close the other program"
        elif code == sqlite3.SQLITE_FULL:
            cause, remedy = "disk full", "free some space"
        elif code == sqlite3.SQLITE_READONLY:
            cause, remedy = "it is open for reading only", "make the file writable"
        else:
            cause, remedy = str(error), "check the disk"
        return NotWritten(
            f"The record {self.path} could not be written ({cause}); nothing already recorded is lost; "
            f"{remedy} and run: assistant visit --resume"
        )


def whole(rows: Iterable[Entry], path: Path) -> Iterator[Entry]:
    """The rows of the record at `path`. Raises Problem at one whose body cannot be read."""
    for row in rows:
        try:
            _ = row.body
        except (ValueError, RecursionError):
            raise _damaged(row.seq, path) from None
        yield row


def is_record(path: Path) -> bool:
    """Whether the header of a file says that it is a visit record; its name ends in .sqlite."""
    if path.suffix != ".sqlite":
        return False
    try:
        with path.open("rb") as file:
            header = file.read(72)
    except OSError:
        return False
    return header.startswith(b"SQLite format 3\0") and header[68:] == APPLICATION_ID.to_bytes(4)


def audio_of(path: Path) -> Path:
    """The folder of a record's recordings."""
    return path.with_suffix(".audio")


def seal_of(path: Path) -> Path:
    """The seal of a record, there once its visit is finished."""
    return path.with_suffix(".seal.jsonl")


def lock_of(path: Path) -> filelock.BaseFileLock:
    """The lock of whoever writes a record, held; a context manager, too. Problem if another has it."""
    lock = filelock.FileLock(path.with_suffix(".lock"), thread_local=False)
    try:
        return lock.acquire(timeout=0).lock
    except filelock.Timeout:
        raise Problem(
            f"The visit record {path} is being written by another process; close the other program and try again."
        ) from None
    except OSError as error:
        raise Problem(
            f"The visit record {path} cannot be locked ({error.strerror}); make its folder one you may write to."
        ) from None


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    uri = f"{path.resolve().as_uri()}?mode={mode}"
    return sqlite3.connect(uri, uri=True, timeout=BUSY_TIMEOUT_S, isolation_level=None)


def _connect_to_read(path: Path) -> sqlite3.Connection:
    if seal_of(path).exists():
        return _connect(path, "ro&immutable=1")  # nothing changes it any more, and nothing beside it counts
    connection = _connect(path, "ro")
    try:
        connection.execute("PRAGMA schema_version").fetchone()
    except sqlite3.Error as error:
        connection.close()
        refused_helper = _primary_code(error) in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
        if not refused_helper or Path(f"{path}-wal").exists():
            raise
        # Even to read, a write-ahead log needs a helper file beside it, and this folder takes none. With no
        # log there, everything is in the file itself: read it as it is.
        return _connect(path, "ro&immutable=1")
    return connection


def _prepare_to_write(connection: sqlite3.Connection) -> None:
    (journal,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if journal != "wal":
        raise sqlite3.OperationalError("its file system does not support a write-ahead log")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA fullfsync = ON")  # macOS: sync past the drive's cache


def _primary_code(error: Exception) -> int:
    """SQLite's result code without its extension; 0 if the error has none."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF


def _cannot_make(path: Path, cause: str) -> Problem:
    return Problem(f"The visit record {path} cannot be made ({cause}); choose a folder that can be written.")


def _not_a_record(path: Path) -> Problem:
    return Problem(f"The file {path} is not a visit record; choose a file that a visit has made.")


def _damaged(seq: object, path: Path) -> Problem:
    return Problem(f"Entry {seq} of the visit record {path} is damaged; use a copy that is sound.")


def _not_readable(path: Path, error: Exception) -> Problem:
    code = _primary_code(error)
    if code == sqlite3.SQLITE_NOTADB:
        return _not_a_record(path)
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return Problem(f"The visit record {path} is locked by another process; close the other program and try again.")
    if code == sqlite3.SQLITE_CANTOPEN:
        return Problem(
            f"The visit record {path} cannot be opened where it is; copy it, and the file of its name ending "
            "in -wal if there is one, to a folder that can be written, and open that."
        )
    return Problem(f"The visit record {path} cannot be read ({error}); use a copy of it that is sound.")
