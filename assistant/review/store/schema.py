"""The tables of a shop's store, the same in SQLite and in PostgreSQL.

`entry` holds each visit's whole chain as it was sent, its seal too; `recording` the sound; `review` what
supervisors said, a chain of its own for each visit; `lodged` the heads of visits, and what was erased here. These are
the truth, and all but `recording` only grow: triggers refuse a change. `account` holds who may open the page.
Everything else is derived from the truth so that it can be looked for, and can be made again.

`visit.search` is lower case text in which words are looked for. The index `visit_listing` holds every column that a
list is chosen and sorted by: a search reads that index from its end until a page is full, so a common word ends
after a few rows and a rare one costs one pass over the index. Both stores find any part of a word so, with no
extension.

A new store is made of this; a store that is there already becomes it by the files in `migrations/versions`, each of
which holds one change.
"""

from sqlalchemy import (
    DDL,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    event,
)

metadata = MetaData()

appliance = Table(
    "appliance",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),  # Job.appliance_key()
)
crew = Table(
    "crew",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),  # the technician's name
)
microphone = Table(
    "microphone",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
)

visit = Table(
    "visit",
    metadata,
    Column("no", Integer, primary_key=True),
    Column("id", String(64), nullable=False, unique=True),  # the hash of its first entry
    Column("head", String(64), nullable=False),
    Column("entries", Integer, nullable=False),
    Column("appliance", ForeignKey(appliance.c.id), nullable=False, index=True),
    Column("crew", ForeignKey(crew.c.id), nullable=False),
    Column("microphone", ForeignKey(microphone.c.id), nullable=False),
    Column("began", String(32), nullable=False),  # UTC, ISO 8601
    Column("site", Text, nullable=False),
    Column("procedure", Text, nullable=False),
    Column("closed", Boolean, nullable=False),
    Column("unsafe", Boolean, nullable=False),  # a notice was given
    Column("stopped", Boolean, nullable=False),  # for danger
    Column("dangers", Integer, nullable=False),  # things found that forbid something (parcel.dangers)
    Column("mended", Integer, nullable=False),  # how many of them were mended, and found good again
    Column("outside", Integer, nullable=False),
    Column("watch", Integer, nullable=False),
    Column("not_checked", Integer, nullable=False),
    Column("corrections", Integer, nullable=False),
    Column("standing", String(16), nullable=False),  # of the last review
    Column("urgency", Integer, nullable=False),  # parcel.urgency
    Column("problem", Text, nullable=False),  # the first that its last check found; empty where nothing
    Column("search", Text, nullable=False),
)
LISTED_BY = ("crew", "standing", "unsafe", "stopped", "closed", "outside", "watch", "not_checked", "search", "no")
Index("visit_listing", visit.c.urgency, visit.c.began, *(visit.c[name] for name in LISTED_BY))


def _of_visit() -> Column[int]:
    return Column("visit", ForeignKey(visit.c.no), primary_key=True)


def _chain() -> list[Column[object]]:
    return [
        Column("seq", Integer, primary_key=True),
        Column("kind", Text, nullable=False),
        Column("utc", String(32), nullable=False),
        Column("monotonic_s", Float(53), nullable=False),
        Column("body", Text, nullable=False),
        Column("previous", String(64), nullable=False),
        Column("hash", String(64), nullable=False),
    ]


entry = Table("entry", metadata, _of_visit(), *_chain(), Column("in_seal", Boolean, nullable=False))
review = Table("review", metadata, _of_visit(), *_chain())
lodged = Table("lodged", metadata, *_chain(), Column("visit", String(64), nullable=False, index=True))
"""The log of the store: the heads that visits had when they were sent, or while they ran, and what was erased here;
one chain for all of them, so that none is taken out unseen."""

ONLY_GROWS = {
    "sqlite": [
        f"CREATE TRIGGER %(table)s_never_{what} BEFORE {what} ON %(table)s "
        "BEGIN SELECT RAISE(ABORT, 'what is in %(table)s is never changed'); END"
        for what in ("UPDATE", "DELETE")
    ],
    "postgresql": [
        "CREATE FUNCTION %(table)s_only_grows() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'what is in %(table)s is never changed'; END $$",
        "CREATE TRIGGER %(table)s_only_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON %(table)s "
        "FOR EACH STATEMENT EXECUTE FUNCTION %(table)s_only_grows()",
    ],
}
for _table in (entry, review, lodged):
    for _dialect, _statements in ONLY_GROWS.items():
        for _statement in _statements:
            made = DDL(_statement)  # type: ignore[no-untyped-call]
            event.listen(_table, "after_create", made.execute_if(dialect=_dialect))

recording = Table(
    "recording",
    metadata,
    Column("visit", String(64), primary_key=True),  # visit.id: recordings arrive before their visit
    Column("name", Text, primary_key=True),
    Column("sha256", String(64), nullable=False),
    Column("data", LargeBinary, nullable=False),
)

reading = Table(
    "reading",
    metadata,
    _of_visit(),
    Column("seq", Integer, primary_key=True),
    Column("appliance", ForeignKey(appliance.c.id), nullable=False),
    Column("quantity", Text, nullable=False),  # or the name of what was worked out
    Column("utc", String(32), nullable=False),
    Column("value", Text, nullable=False),  # a decimal, with every digit that was said; "open", "over-range"
    Column("number", Float(53)),  # the value to compare; null where it is none, or was refused
    Column("unit", Text, nullable=False),
    Column("outcome", Text, nullable=False),  # the verdict, or "refused"
    Index("reading_trend", "appliance", "quantity", "utc"),
    Index("reading_found", "quantity", "utc", "number", "outcome", "value", "visit"),
)
step = Table(
    "step",
    metadata,
    _of_visit(),
    Column("step", Text, primary_key=True),
    Column("asked", Integer, nullable=False),
    Column("refused", Integer, nullable=False),
    Column("corrected", Integer, nullable=False),
    Column("skipped", Integer, nullable=False),
    Column("unclear", Integer, nullable=False),
)

meter = Table(
    "meter",
    metadata,
    _of_visit(),
    Column("place", Integer, primary_key=True),  # in the job
    Column("name", Text, nullable=False),
    Column("serial", Text, nullable=False),
    Column("due", String(10), nullable=False),  # when it is to be calibrated again; empty where nobody said
)

DERIVED = (reading, step, meter)
"""The tables that are made again from a visit's entries whenever more of them arrive."""

account = Table(
    "account",
    metadata,
    Column("name", Text, primary_key=True),
    Column("role", String(16), nullable=False),  # accounts.Role
    Column("password", Text, nullable=False),  # its hash; empty where there is none
    Column("link", Text, nullable=False),  # the hash of a link that opens the page once; empty where there is none
    Column("link_until", String(32), nullable=False),  # UTC
    Column("changed", String(32), nullable=False),  # UTC; a session that began before has ended
)
