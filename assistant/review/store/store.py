"""The store of a shop, in SQLite or PostgreSQL: visits arrive, are looked for, and are reviewed.

SQLite runs in WAL with ``synchronous=FULL``, as a visit's own record does. Whoever writes a visit holds its row
(PostgreSQL) or the file (SQLite), so two senders of one visit follow each other and the second finds it there.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any, Literal

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    Table,
    case,
    create_engine,
    delete,
    event,
    func,
    insert,
    or_,
    select,
    union_all,
    update,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DataError, SQLAlchemyError

from assistant.errors import Problem
from assistant.record.chain import COLUMNS, GENESIS, Entry, canonical_json, chained, is_closed, verify_entries
from assistant.record.record import system_clock
from assistant.record.seal import ERASED, NO_END, NO_SEAL, SEALED, recordings, verify_lodged
from assistant.review.store import schema as s
from assistant.review.store.parcel import (
    COUNTED_IN_STEP,
    ODD,
    Derived,
    Parcel,
    nothing_of,
    read_recording,
    refuse,
    understood,
    urgency,
)
from assistant.review.web.shop import (
    OUTCOMES,
    By,
    Day,
    Kept,
    Listed,
    Lodged,
    Measured,
    MeterSeen,
    ReadingFound,
    ReadingSearch,
    Review,
    Search,
    StepCount,
    StoreDown,
    standing_of,
)

APPLICATION_ID = 0x49474E53  # "IGNS"
"""Marks an SQLite file as a shop's store."""

MIGRATIONS = "assistant.review.store:migrations"
"""Where the changes are that make an older store one of today."""

BUSY_TIMEOUT_S = 60
"""How long a sender waits for others: each writes for well under a second, and nobody waits for its voice."""

PIECE_BYTES = 2_000_000
"""Recordings that are stored in one go. A sender that is stopped loses at most this much of its work."""

FEW = 4
"""Recordings that are in memory at once while they are checked."""

LODGED, REMOVED, ACCOUNT = "lodged", "visit-removed", "account"
"""Kinds of entries in the log of the store; that recordings were erased there is one of `ERASED`."""

NAMED = (s.appliance, s.crew, s.microphone)
"""The tables of names, to whose rows a visit points."""

LOOKED_UP = "What the store looks it up by is not what its record says:"

Sent = Literal["stored", "added to", "there already"]


def url_of(where: str) -> URL:
    """The store that a person names: a PostgreSQL address, or the path of an SQLite file."""
    if "://" not in where:
        return URL.create("sqlite+pysqlite", database=where)
    try:
        url = make_url(where)
    except ArgumentError:
        url = URL.create("unknown")
    if url.get_backend_name() != "postgresql":
        raise Problem("A store is an SQLite file or a PostgreSQL address (postgresql://user@host/name).")
    return url.set(drivername="postgresql+psycopg")


class Store:
    """A shop's store, open. `open` makes it where it is not there; use it as a context manager, or close it."""

    patience_s = math.inf
    """How long a list waits for the visits that are not in it yet."""

    @property
    def waiting(self) -> int:
        """Visits that are not in a list yet."""
        return 0

    def fill(self, patience_s: float = math.inf) -> None:
        """Waits, for so long, until all visits are in a list."""

    def __init__(self, url: URL) -> None:
        self.name = url.render_as_string(hide_password=True) if url.host or "postgres" in url.drivername else ""
        self.name = self.name.replace("+psycopg", "") or str(url.database)
        self._is_file = url.get_backend_name() == "sqlite"
        arguments: dict[str, Any] = {"timeout": BUSY_TIMEOUT_S} if self._is_file else {"connect_timeout": 10}
        self._engine = create_engine(url, connect_args=arguments, pool_pre_ping=not self._is_file)
        if self._is_file:
            event.listen(self._engine, "connect", _set_up_file)
            event.listen(self._engine, "begin", _begin)

    @classmethod
    def open(cls, where: str, *, make: bool = False) -> Store:
        """Opens a store and brings it to the tables of this program. make: make it where there is none.

        Raises:
            Problem: if there is none, it is an empty file or another kind of file or database, or it is newer than this
                program.
        """
        url = url_of(where)
        if url.get_backend_name() == "sqlite":
            path = Path(str(url.database))
            if not make and not path.is_file():
                raise Problem(f"There is no store {where}; name it with --store, or make it with: assistant shop send")
            # SQLite takes an empty file for a database of its own, and writes into it as soon as it is opened.
            if path.is_file() and path.stat().st_size == 0:
                raise Problem(f"{where} is an empty file and no store; delete it, or name another path with --store.")
        store = cls(url)
        try:
            with store._asked(write=True) as connection:
                if bring_up_to_date(connection, store.name, make):
                    store._make_again(connection)
        except BaseException:
            store.close()
            raise
        return store

    @classmethod
    def must_be_empty(cls, where: str) -> None:
        """Raises Problem if the database holds anything, or does not answer."""
        store = cls(url_of(where))
        try:
            with store._asked() as connection:
                if connection.dialect.get_table_names(connection):
                    raise Problem(f"The database {store.name} is not empty; make a new one with: createdb NAME")
        finally:
            store.close()

    def close(self) -> None:
        """Lets go of the store."""
        self._engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *of: object) -> None:
        self.close()

    @contextmanager
    def _asked(self, write: bool = False) -> Iterator[Connection]:
        """One transaction. What the database says against it becomes one sentence."""
        try:
            with self._engine.connect().execution_options(writes=write) as connection, connection.begin():
                yield connection
        except DataError as wrong:
            raise Problem(f"The store {self.name} cannot keep it ({wrong.orig}).") from wrong
        except SQLAlchemyError as wrong:
            cause = str(getattr(wrong, "orig", None) or wrong).strip().splitlines()[0]
            raise StoreDown(
                f"The store {self.name} does not answer ({cause}); nothing was lost: see that it runs and has room, "
                "then try again."
            ) from wrong

    def _all(self, query: Select[Any]) -> Sequence[Any]:
        """The rows that a query gives, in a transaction of its own."""
        with self._asked() as connection:
            return connection.execute(query).all()

    # --- arriving

    def head(self, visit: str) -> tuple[int, str]:
        """How many entries the store has of a visit, and the hash of the last; 0 and "" where it has none."""
        found = self._all(select(s.visit.c.entries, s.visit.c.head).where(s.visit.c.id == visit))
        return (found[0].entries, found[0].head) if found else (0, "")

    def receive(self, parcel: Parcel) -> Sent:
        """Stores a visit: its recordings in pieces, then its chain and all that is derived from it, at once.

        Sending again changes nothing; a sender that was stopped goes on where it was. A visit that has grown since
        (it went on, was sealed, or its sound was erased) is added to. Until the chain is there, the visit is not.

        Raises:
            Problem: if the chain is broken, or is not the one that the store has of this visit; nothing is changed.
        """
        refuse(parcel.where, verify_entries(parcel.rows))
        derived = understood(parcel.rows[: parcel.sealed_from], parcel.where)
        with self._asked() as connection:
            gone = select(s.lodged.c.utc).where(s.lodged.c.visit == parcel.id, s.lodged.c.kind == REMOVED)
            if utc := connection.scalar(gone):
                raise Problem(
                    f"{parcel.where} was removed from the store on {utc[:10]}: it is older than is kept there."
                )
            self._check_same(connection, parcel)
        self._receive_recordings(parcel)
        with self._asked(write=True) as connection:
            return self._receive_chain(connection, parcel, derived)

    def _check_same(self, connection: Connection, parcel: Parcel) -> None:
        """Refuses a chain that parts from the one in the store, be it longer or shorter."""
        visit, entry = s.visit.c, s.entry.c
        there = connection.scalar(select(visit.entries).where(visit.id == parcel.id)) or 0
        at = min(there, len(parcel.rows))
        query = select(entry.hash).join(s.visit, visit.no == entry.visit).where(visit.id == parcel.id, entry.seq == at)
        if at and connection.scalar(query) != parcel.rows[at - 1].hash:
            raise Problem(
                f"{parcel.where} is refused whole: up to entry {at} it is not what the store has of this visit. "
                "Nothing was changed; compare both with: assistant record verify"
            )

    def _receive_recordings(self, parcel: Parcel) -> None:
        table = s.recording
        with self._asked() as connection:
            there = set(connection.scalars(select(table.c.name).where(table.c.visit == parcel.id)))
        digests = parcel.digests
        piece: list[dict[str, Any]] = []
        size = 0
        for name, path in parcel.recordings.items():
            if name in there:
                continue
            data = read_recording(path, digests[name])
            piece.append({"visit": parcel.id, "name": name, "sha256": digests[name], "data": data})
            size += len(data)
            if size >= PIECE_BYTES:
                self._receive_piece(piece)
                piece, size = [], 0
        if piece:
            self._receive_piece(piece)

    def _receive_piece(self, piece: list[dict[str, Any]]) -> None:
        with self._asked(write=True) as connection:
            erased = _erased(connection, piece[0]["visit"])
            # In one order, so that two senders never wait for each other.
            rows = sorted((row for row in piece if row["name"] not in erased), key=lambda row: row["name"])
            if rows:
                connection.execute(insert_if_absent(connection, s.recording), rows)

    def _receive_chain(self, connection: Connection, parcel: Parcel, derived: Derived) -> Sent:
        there = self._visit_of(connection, parcel.id, derived)
        self._check_same(connection, parcel)
        rows = parcel.rows[there.entries :]
        gone = parcel.erased | _erased(connection, parcel.id)
        if gone:
            table = s.recording
            connection.execute(delete(table).where(table.c.visit == parcel.id, table.c.name.in_(gone)))
        sound_to = len(parcel.rows) if parcel.recordings.keys() - gone else 0
        self._lodge(connection, parcel.id, len(parcel.rows), parcel.rows[-1].hash, sound_to)
        if not rows:
            return "there already"
        no = there.no
        connection.execute(
            insert(s.entry),
            [{"visit": no, **row.columns, "in_seal": row.seq > parcel.sealed_from} for row in rows],
        )
        last = parcel.rows[parcel.sealed_from - 1]
        standing = standing_of(_reviews(connection, no), last.seq, last.hash)
        problems = verify_lodged(
            parcel.rows, [(each.entries, each.head) for each in self._lodged(connection, parcel.id)]
        )
        head = (len(parcel.rows), parcel.rows[-1].hash)
        self._look_up(connection, no, derived, standing, problems[0] if problems else "", head)
        return "added to" if there.entries else "stored"

    def lodge(self, visit: str, entries: int, head: str) -> None:
        """Keeps the head that a visit has while it runs, and is not sent yet."""
        with self._asked(write=True) as connection:
            self._lodge(connection, visit, entries, head, 0)

    def _lodge(self, connection: Connection, visit: str, entries: int, head: str, sound_to: int) -> None:
        """Keeps the head of a visit, where it is a new one."""
        there = self._lodged(connection, visit)
        if any(each.entries >= entries and each.sound_to >= sound_to for each in there):
            return
        body = {"visit": visit, "entries": entries, "head": head, "sound_to": sound_to}
        self._log(connection, visit, LODGED, canonical_json(body))

    def _log(self, connection: Connection, visit: str, kind: str, body: str) -> None:
        """One entry more in the log of all visits, which only grows."""
        if connection.dialect.name == "postgresql":  # SQLite has one writer at a time
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({APPLICATION_ID + 1})")
        (row,) = chained(_end(connection, s.lodged), [(kind, body)], *system_clock())
        connection.execute(insert(s.lodged), [{**row.columns, "visit": visit}])

    def _lodged(self, connection: Connection, visit: str) -> list[Lodged]:
        of = (s.lodged.c.visit == visit) & (s.lodged.c.kind == LODGED)
        query = select(s.lodged.c.utc, s.lodged.c.body).where(of).order_by(s.lodged.c.seq)
        found = [(row.utc, json.loads(row.body)) for row in connection.execute(query)]
        return [Lodged(utc, body["entries"], body["head"], body["sound_to"]) for utc, body in found]

    def lodged(self, visit: str) -> list[Lodged]:
        """The heads that a visit had when it was sent, oldest first."""
        with self._asked() as connection:
            return self._lodged(connection, visit)

    def _visit_of(self, connection: Connection, visit: str, derived: Derived) -> Any:
        """The row of a visit, held until the end of the transaction; made where there is none."""
        new = {"id": visit, "head": "", "entries": 0, "standing": "open", "urgency": 0, "problem": ""}
        columns = {**self._columns(connection, derived), **new}
        connection.execute(insert_if_absent(connection, s.visit), [columns])
        return connection.execute(select(s.visit).where(s.visit.c.id == visit).with_for_update()).one()

    def _columns(self, connection: Connection, derived: Derived) -> dict[str, Any]:
        numbers = {table.name: _number_of(connection, table, derived.visit[table.name]) for table in NAMED}
        return {**derived.visit, **numbers}

    def _look_up(
        self, connection: Connection, no: int, derived: Derived, standing: str, problem: str, head: tuple[int, str]
    ) -> None:
        """Makes anew what a visit is looked up by. no: of its row. head: how many entries it has, and the last hash."""
        columns = self._columns(connection, derived)
        for table in s.DERIVED:
            connection.execute(delete(table).where(table.c.visit == no))
            found: Sequence[Mapping[str, Any]] = getattr(derived, table.name)
            more = {"appliance": columns["appliance"]} if table is s.reading else {}
            if found:
                connection.execute(insert(table), [{"visit": no, **more, **row} for row in found])
        columns |= {"entries": head[0], "head": head[1], "standing": standing, "problem": problem}
        columns["urgency"] = urgency(derived.visit, standing, problem)
        connection.execute(update(s.visit).where(s.visit.c.no == no).values(columns))

    def _make_again(self, connection: Connection) -> None:
        """Makes anew what every visit is looked up by: the tables, or what is found in an entry, have changed."""
        for visit in connection.execute(select(s.visit)).all():
            entries, problem = _entries(connection, visit.no), ""
            try:
                derived = understood(entries, f"The visit {visit.id}")
            except Problem as wrong:
                derived, problem = nothing_of(visit.id), str(wrong)
            last = (len(entries), entries[-1].hash) if entries else (0, "")
            standing = standing_of(_reviews(connection, visit.no), *last)
            self._look_up(connection, visit.no, derived, standing, problem, (visit.entries, visit.head))

    # --- what the page asks

    def crews(self) -> Sequence[str]:
        """The names of the technicians."""
        query = select(s.crew.c.name).where(s.crew.c.name != "").order_by(s.crew.c.name)
        return [row.name for row in self._all(query)]

    def ids(self) -> Sequence[str]:
        """Every visit."""
        return [row.id for row in self._all(select(s.visit.c.id).order_by(s.visit.c.no))]

    def warnings(self) -> list[str]:
        """What is wrong with the store itself, and not with one of its visits."""
        with self._asked() as connection:
            rows = _rows(connection, s.lodged)
            there = {row.name: row.role for row in connection.execute(select(s.account.c.name, s.account.c.role))}
        noted = [row.body for row in rows if row.kind == ACCOUNT]
        made = {body["name"]: body["role"] for body in noted}  # the last of each name; "" where it was removed
        odd = sorted(name for name in made.keys() | there.keys() if made.get(name, "") != there.get(name, ""))
        return [
            *(f"Of the log of heads: {each}" for each in verify_entries(rows)),
            *(f"The account {name!r} is not as assistant shop user left it." for name in odd),
        ]

    def visits(self, asked: Search, first: int, most: int) -> Sequence[Listed]:
        """Visits from the `first` (0) on, at most `most`, by danger (`parcel.urgency`), the newest of each first."""
        self.fill(self.patience_s)
        v = s.visit.c
        # Only columns of the index visit_listing: the rows themselves are read for one page alone.
        chosen = select(v.no).where(*_where(asked, v.began))
        if asked.standing:
            chosen = chosen.where(v.standing == asked.standing)
        outcome = {
            "unsafe": v.unsafe.is_(True) | v.stopped.is_(True),
            "outside": v.outside > 0,
            "watch": v.watch > 0,
            "not checked": v.not_checked > 0,
            "unfinished": v.closed.is_(False),
        }.get(asked.outcome)
        if outcome is not None:
            chosen = chosen.where(outcome)
        order = (v.urgency.desc(), v.began.desc())
        page = chosen.order_by(*order).limit(most).offset(first).subquery()
        found = {"visit": v.id, "utc": v.began, "appliance": s.appliance.c.name, "crew": s.crew.c.name}
        columns = {**dict(v.items()), **found}
        query = (
            select(*(columns[each.name].label(each.name) for each in fields(Listed)))
            .join(page, page.c.no == v.no)
            .join(s.appliance, s.appliance.c.id == v.appliance)
            .join(s.crew, s.crew.c.id == v.crew)
            .order_by(*order)
        )
        return [Listed(**row._mapping) for row in self._all(query)]

    def readings(self, asked: ReadingSearch, first: int, most: int) -> Sequence[ReadingFound]:
        """The readings of a quantity that fit, from the `first` (0) on, at most `most`, the newest first."""
        self.fill()
        r = s.reading.c
        chosen = select(s.reading, s.visit.c.id, s.visit.c.site, s.visit.c.crew).join(s.visit, s.visit.c.no == r.visit)
        chosen = chosen.where(r.quantity == asked.quantity, *_where(asked, r.utc))
        for bound, fits in ((asked.below, r.number.__lt__), (asked.above, r.number.__gt__)):
            if bound is not None:
                chosen = chosen.where(fits(float(bound)))
        if asked.value:
            chosen = chosen.where(r.value == asked.value)
        if asked.outcome:
            chosen = chosen.where(r.outcome.in_(OUTCOMES.get(asked.outcome, ())))
        order = ("utc", "visit", "seq")
        page = chosen.order_by(*(r[name].desc() for name in order)).limit(most).offset(first).subquery()
        query = (
            select(page, s.appliance.c.name.label("where"), s.crew.c.name.label("who"))
            .join(s.appliance, s.appliance.c.id == page.c.appliance)
            .join(s.crew, s.crew.c.id == page.c.crew)
            .order_by(*(page.c[name].desc() for name in order))
        )
        return [
            ReadingFound(row.utc, row.id, row.quantity, row.value, row.unit, row.outcome, row.site, row.where, row.who)
            for row in self._all(query)
        ]

    def days(self, since: str) -> Sequence[Day]:
        """What each crew did on each day from `since` on, the oldest first; days without a visit are left out."""
        v = s.visit.c
        day = func.substr(v.began, 1, 10)
        unsafe = func.sum(case((or_(v.dangers > 0, v.unsafe, v.stopped), 1), else_=0))
        query = select(day, s.crew.c.name, func.count(), unsafe, func.sum(v.dangers), func.sum(v.mended))
        query = query.join(s.crew, s.crew.c.id == v.crew).where(v.began >= since)
        return [Day(*row) for row in self._all(query.group_by(day, s.crew.c.name).order_by(day))]

    def meters(self, since: str) -> Sequence[MeterSeen]:
        """The meters of the visits from `since` on, as the last of them has each, by when they are due."""
        m, v = s.meter.c, s.visit.c
        query = select(m.name, m.serial, m.due, s.crew.c.name, v.began).join(s.visit, v.no == m.visit)
        query = query.join(s.crew, s.crew.c.id == v.crew).where(v.began >= since).order_by(v.began)
        seen = {(row[0], row[1]): MeterSeen(*row) for row in self._all(query)}
        return sorted(seen.values(), key=lambda meter: (meter.due, meter.name, meter.serial))

    def visit(self, visit: str) -> Kept | None:
        """One visit, checked whole each time; where the list says otherwise of it, it is put right."""
        query = select(s.visit, s.appliance.c.name).join(s.appliance, s.appliance.c.id == s.visit.c.appliance)
        with self._asked() as connection:
            there = connection.execute(query.where(s.visit.c.id == visit)).one_or_none()
            if there is None:
                return None
            kept = self._checked(connection, there)
        self._put_right(there, kept)
        return kept

    def _put_right(self, there: Any, kept: Kept) -> None:
        """Lets the list say of a visit what its check has found. there: its row."""
        problem = kept.problems[0] if kept.problems else ""
        if problem != there.problem:
            with self._asked(write=True) as connection:
                self._mark(connection, there, problem=problem)

    def _mark(self, connection: Connection, there: Any, **found: str) -> None:
        """Keeps how a visit stands now (`standing`), or what is wrong with it (`problem`). there: its row."""
        known = {"standing": there.standing, "problem": there.problem, **found}
        values = {**found, "urgency": urgency(there._mapping, **known)}
        connection.execute(update(s.visit).where(s.visit.c.no == there.no).values(values))

    def _checked(self, connection: Connection, there: Any) -> Kept:
        """A visit and what its check finds. there: its row."""
        rows, reviews = (_rows(connection, table, table.c.visit == there.no) for table in (s.entry, s.review))
        of_seal = select(s.entry.c.seq).where(s.entry.c.visit == there.no, s.entry.c.in_seal)
        seals = set(connection.scalars(of_seal))
        own = [row for row in rows if row.seq not in seals]
        lodged = self._lodged(connection, there.id)
        problems = [
            *verify_entries(rows),
            *(f"Of its reviews: {each}" for each in verify_entries(reviews)),
            *verify_lodged(rows, [(each.entries, each.head) for each in lodged]),
            *self._check_sounds(connection, there.id, rows, max((each.sound_to for each in lodged), default=0)),
        ]
        if any(row.kind not in (SEALED, ERASED) for row in rows if row.seq in seals):
            problems.append("The store has entries of the visit among those of its seal.")
        try:
            derived = understood(own, "It")
            said = [_review(row) for row in reviews]
        except (Problem, *ODD) as wrong:
            return Kept(there.id, there.name, own, (), [*problems, str(wrong)])
        standing = standing_of(said, len(own), own[-1].hash)
        expected = {
            "id": rows[0].hash,
            "head": rows[-1].hash,
            "entries": len(rows),
            "standing": standing,
            "urgency": urgency(derived.visit, standing, there.problem),
        }
        problems += self._differences(connection, there, derived, expected)
        ended = is_closed(row.kind for row in own)
        warnings = [] if seals else [NO_SEAL if ended else NO_END]
        return Kept(there.id, there.name, own, said, problems, warnings, derived.visit["crew"])

    def _check_sounds(self, connection: Connection, visit: str, rows: Sequence[Entry], to: int) -> Iterator[str]:
        """What is not as it was recorded among a visit's recordings. to: the entry up to which they were sent."""
        wanted, sent = recordings(rows), recordings(r for r in rows[:to] if r.kind != SEALED)
        gone = _erased(connection, visit)
        table, there = s.recording.c, set[str]()
        query = select(table.name, table.data).where(table.visit == visit).order_by(table.name)
        for name, data in connection.execute(query, execution_options={"yield_per": FEW}):
            there.add(name)
            if name not in wanted:
                yield f"The recording {name} was added: no entry names it."
            elif hashlib.sha256(data or b"").hexdigest() != wanted[name]:
                yield f"The recording {name} is not what was recorded."
        for name in sorted(sent.keys() - there - gone):
            yield f"The recording {name} is missing."

    def _differences(
        self, connection: Connection, there: Any, derived: Derived, expected: Mapping[str, Any]
    ) -> Iterator[str]:
        """What a visit is looked up by that its record does not say."""
        named = {}
        for table in NAMED:
            named[table.name] = connection.scalar(select(table.c.name).where(table.c.id == getattr(there, table.name)))
        found = {**there._mapping, **named}
        for name, value in {**derived.visit, **expected}.items():
            if found[name] != value:
                yield f"{LOOKED_UP} {name} is {found[name]}, by its record {value}."
        for table in s.DERIVED:
            rows: Sequence[Mapping[str, Any]] = getattr(derived, table.name)
            columns = [column for column in table.c if column.name not in ("visit", "appliance")]
            is_there = connection.execute(select(*columns).where(table.c.visit == there.no))
            wanted = sorted(tuple(row[column.name] for column in columns) for row in rows)
            if sorted(tuple(row) for row in is_there) != wanted:
                yield f"{LOOKED_UP} the rows of {table.name}."

    def chain(self, visit: str) -> list[Entry]:
        """A visit's whole chain as it was sent, its seal too; empty where there is no such visit."""
        with self._asked() as connection:
            no = connection.scalar(select(s.visit.c.no).where(s.visit.c.id == visit))
            return [] if no is None else _rows(connection, s.entry, s.entry.c.visit == no)

    def recording(self, visit: str, name: str) -> bytes | None:
        """A recording of a visit as FLAC; None where it is not kept. Problem where it is not what was recorded."""
        table = s.recording
        with self._asked() as connection:
            data = connection.scalar(select(table.c.data).where(table.c.visit == visit, table.c.name == name))
        return None if data is None else as_recorded(name, bytes(data), recordings(self.chain(visit)).get(name))

    def add_review(self, visit: str, review: Review) -> None:
        """Keeps what a supervisor says of a visit: an entry that follows the visit's earlier reviews.

        Raises:
            Problem: if there is no such visit, or the review is a signature that cannot bind (`Kept.refuse`).
        """
        kept = self.visit(visit)
        if kept is None:
            raise Problem("There is no such visit in this store; load the list again.")
        kept.refuse(review)
        with self._asked(write=True) as connection:
            row = connection.execute(select(s.visit).where(s.visit.c.id == visit).with_for_update()).one()
            kept = replace(kept, entries=_entries(connection, row.no), reviews=[review])
            kept.refuse(review)  # it may have grown meanwhile
            body = canonical_json({"visit": visit, **asdict(review)})
            of = s.review.c.visit == row.no
            (entry,) = chained(_end(connection, s.review, of), [("review", body)], *system_clock())
            connection.execute(insert(s.review), [{"visit": row.no, **entry.columns}])
            self._mark(connection, row, standing=kept.standing)

    def trends(self, appliance: str) -> Mapping[str, Sequence[Measured]]:
        """An appliance's readings by quantity, oldest first."""
        self.fill()
        r = s.reading.c
        of = select(s.appliance.c.id).where(s.appliance.c.name == appliance).scalar_subquery()
        query = select(s.reading, s.visit.c.id.label("visit_id")).join(s.visit, s.visit.c.no == r.visit)
        query = query.where(r.appliance == of).order_by(r.utc, r.seq)
        trends: dict[str, list[Measured]] = {}
        for row in self._all(query):
            point = Measured(row.utc, row.visit_id, row.quantity, row.value, row.unit, row.outcome)
            trends.setdefault(row.quantity, []).append(point)
        return trends

    def steps(self, by: By, since: str = "") -> Sequence[StepCount]:
        """How each step went, in the visits from `since` on; `days` and `meters` are of the same moment."""
        self.fill()
        group = s.crew if by == "crew" else s.microphone
        t = s.step.c
        sums = [func.sum(t[name]).label(name) for name in COUNTED_IN_STEP.values()]
        query = (
            select(group.c.name, t.step, func.count().label("visits"), *sums)
            .join(s.visit, s.visit.c.no == t.visit)
            .join(group, group.c.id == s.visit.c[by])
            .where(s.visit.c.began >= since)
            .group_by(group.c.name, t.step)
            .order_by(group.c.name, t.step)
        )
        return [StepCount(*row) for row in self._all(query)]


def _rows(connection: Connection, table: Table, *of: ColumnElement[bool]) -> list[Entry]:
    """The entries of a chain as they are kept, the first of all first."""
    query = select(*(table.c[name] for name in COLUMNS)).where(*of).order_by(table.c.seq)
    return [Entry(*row) for row in connection.execute(query)]


def _entries(connection: Connection, no: int) -> list[Entry]:
    """A visit's own entries, without its seal's. no: of its row."""
    return _rows(connection, s.entry, s.entry.c.visit == no, ~s.entry.c.in_seal)


def _reviews(connection: Connection, no: int) -> list[Review]:
    """What was said of a visit. no: of its row."""
    return [_review(row) for row in _rows(connection, s.review, s.review.c.visit == no)]


def _where(asked: Search, when: ColumnElement[str]) -> Iterator[ColumnElement[bool]]:
    """Where and when what is looked for lies. when: the column that tells."""
    v = s.visit.c
    yield from (v.search.contains(word, autoescape=True) for word in asked.words.lower().split())
    if asked.crew:
        yield v.crew == select(s.crew.c.id).where(s.crew.c.name == asked.crew).scalar_subquery()
    if asked.since:
        yield when >= asked.since
    if asked.until:
        yield when < asked.until + "~"  # after every time of that day


def _review(row: Entry) -> Review:
    body = row.body
    # One that was made before signatures were bound has no head, and is of no record.
    return Review(**{field.name: body[field.name] for field in fields(Review) if field.name in body})


def as_recorded(name: str, data: bytes, digest: str | None) -> bytes:
    """A recording, where its digest is the one in the chain; Problem otherwise."""
    if hashlib.sha256(data).hexdigest() != digest:
        raise Problem(f"The recording {name} is not what was recorded; it is not played.")
    return data


def _end(connection: Connection, table: Table, of: ColumnElement[bool] | None = None) -> tuple[int, str]:
    """The place and the hash of the last entry of a chain."""
    query = select(table.c.seq, table.c.hash).order_by(table.c.seq.desc()).limit(1)
    last = connection.execute(query if of is None else query.where(of)).one_or_none()
    return (last.seq, last.hash) if last else (0, GENESIS)


def insert_if_absent(connection: Connection, table: Table) -> Any:
    """Inserts rows, but for those whose key is there."""
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    return dialect.insert(table).on_conflict_do_nothing()


def _erased(connection: Connection, visit: str) -> set[str]:
    """The recordings of a visit that were erased, as far as the store knows; an older copy may still have them.

    Holds the visit's row until the end of the transaction, so that none is erased meanwhile.
    """
    no = connection.scalar(select(s.visit.c.no).where(s.visit.c.id == visit).with_for_update())
    there = select(s.entry.c.body).where(s.entry.c.visit == no, s.entry.c.kind == ERASED)
    here = select(s.lodged.c.body).where(s.lodged.c.visit == visit, s.lodged.c.kind == ERASED)
    bodies = connection.scalars(union_all(there, here))
    return {name for body in bodies for name in json.loads(body).get("files", {})}


def _number_of(connection: Connection, table: Table, name: str) -> int:
    connection.execute(insert_if_absent(connection, table), [{"name": name}])
    return int(connection.scalars(select(table.c.id).where(table.c.name == name)).one())


# --- opening


def _set_up_file(connection: Any, _: object) -> None:
    connection.isolation_level = None  # sqlite3 would begin transactions by itself, and late; `_begin` does
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    # A writer takes its turn at once: one that began by reading could not go on after another has written.
    connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get("writes") else "BEGIN")


def bring_up_to_date(connection: Connection, name: str, make: bool) -> bool:
    """Makes the tables of this program, or changes older ones to them; whether it changed any.

    Raises Problem as `Store.open` does.
    """
    config = Config()
    config.set_main_option("script_location", MIGRATIONS)
    config.attributes["connection"] = connection
    script = ScriptDirectory.from_config(config)
    if connection.dialect.name == "postgresql":  # others may be opening it for the first time, too
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({APPLICATION_ID})")
    migration = MigrationContext.configure(connection)
    now = migration.get_current_revision()
    if now == script.get_current_head():
        return False
    if now is None:
        tables = connection.dialect.get_table_names(connection)
        if tables or not make:
            what = "holds something else" if tables else "is empty"
            raise Problem(f"{name} {what}: it is no store. Name another one, or make one with: assistant shop send")
        if connection.dialect.name == "sqlite":
            connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
        s.metadata.create_all(connection)
        migration.stamp(script, "head")
    elif now not in {revision.revision for revision in script.walk_revisions()}:
        raise Problem(f"The store {name} was made by a newer version of this program; update the program.")
    else:
        command.upgrade(config, "head")
        return True
    return False
