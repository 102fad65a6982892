"""What a shop no longer keeps: recordings after some days, whole visits after some years, as the shop sets.

A visit with something unsafe, a disputed one, one that nobody signed off as it is, and one that is not as it was
recorded are kept whole. What was erased, when, by whom and why goes into the log of the store, which only grows.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, delete, func, select, text

from assistant.record.chain import canonical_json
from assistant.record.seal import ERASED
from assistant.review.store import schema as s
from assistant.review.store.store import REMOVED, Store
from assistant.review.web.shop import SOMETHING_UNSAFE, WHY_KEPT

AUDIO_DAYS = 90
"""How long recordings are kept (common practice; the shop's own rules and its law come first)."""

RECORD_YEARS = 10
"""How long visits are kept (common practice; the shop's own rules and its law come first)."""


@dataclass(frozen=True)
class Due:
    """A visit of which something is older than is kept. whole: the visit itself, and not its recordings alone.

    kept: why it stays all the same; empty where it goes.
    """

    visit: str
    began: str
    site: str
    whole: bool
    recordings: int
    size: int  # of them, in bytes
    kept: str


def due(store: Store, audio_before: str, records_before: str) -> Iterator[Due]:
    """What began before these times, UTC, the oldest first. Each such visit is checked whole."""
    v, r = s.visit.c, s.recording.c
    sounds = select(r.visit, func.count().label("sounds"), func.sum(func.length(r.data)).label("size")).group_by(
        r.visit
    )
    of = sounds.subquery()
    query = (
        select(v.id, v.began, v.site, v.unsafe, v.stopped, of.c.sounds, of.c.size)
        .outerjoin(of, of.c.visit == v.id)
        .where(v.began < max(audio_before, records_before), v.began != "")
        .order_by(v.began)
    )
    with store._asked() as connection:
        rows = connection.execute(query).all()
    for row in rows:
        whole = row.began < records_before
        if whole or (row.sounds and row.began < audio_before):
            yield Due(row.id, row.began, row.site, whole, row.sounds or 0, row.size or 0, _why_kept(store, row))


def _why_kept(store: Store, row: Any) -> str:
    kept = store.visit(row.id)
    if kept is None or kept.problems:
        return "it is not as it was recorded"
    return SOMETHING_UNSAFE if row.unsafe or row.stopped else WHY_KEPT[kept.standing]


def carry_out(store: Store, what: Due, by: str, why: str) -> None:
    """Erases it. It is written into the log in the same transaction."""
    with store._asked(write=True) as connection:
        r = s.recording.c
        files = {
            row.name: row.sha256 for row in connection.execute(select(r.name, r.sha256).where(r.visit == what.visit))
        }
        connection.execute(delete(s.recording).where(r.visit == what.visit))
        body: Mapping[str, Any] = {"visit": what.visit, "by": by, "why": why, "files": files}
        if what.whole:
            row = connection.execute(select(s.visit).where(s.visit.c.id == what.visit)).one()
            body = {**body, "began": row.began, "entries": row.entries, "head": row.head}
            _remove(connection, row.no)
        store._log(connection, what.visit, REMOVED if what.whole else ERASED, canonical_json(body))


def _remove(connection: Connection, no: int) -> None:
    for table in s.DERIVED:
        connection.execute(delete(table).where(table.c.visit == no))
    # Nothing else takes entries away, so that their triggers are off for this transaction alone.
    dialect = connection.dialect.name
    for table in (s.entry, s.review):
        if dialect == "postgresql":
            connection.execute(text(f"ALTER TABLE {table.name} DISABLE TRIGGER {table.name}_only_grows"))
        else:
            connection.execute(text(f"DROP TRIGGER {table.name}_never_DELETE"))
        connection.execute(delete(table).where(table.c.visit == no))
        if dialect == "postgresql":
            connection.execute(text(f"ALTER TABLE {table.name} ENABLE TRIGGER {table.name}_only_grows"))
        else:
            (again,) = [each for each in s.ONLY_GROWS[dialect] if "_never_DELETE" in each]
            connection.exec_driver_sql(again % {"table": table.name})
    connection.execute(delete(s.visit).where(s.visit.c.no == no))
