"""The first tables, and the triggers that let chains only grow."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Makes them."""
    op.create_table(
        "appliance",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    op.create_table(
        "crew",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    op.create_table(
        "microphone",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    op.create_table(
        "recording",
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("visit", "name"),
    )
    op.create_table(
        "visit",
        sa.Column("no", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("head", sa.String(length=64), nullable=False),
        sa.Column("entries", sa.Integer(), nullable=False),
        sa.Column("appliance", sa.Integer(), nullable=False),
        sa.Column("crew", sa.Integer(), nullable=False),
        sa.Column("microphone", sa.Integer(), nullable=False),
        sa.Column("began", sa.String(length=32), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("procedure", sa.Text(), nullable=False),
        sa.Column("closed", sa.Boolean(), nullable=False),
        sa.Column("unsafe", sa.Boolean(), nullable=False),
        sa.Column("outside", sa.Integer(), nullable=False),
        sa.Column("watch", sa.Integer(), nullable=False),
        sa.Column("not_checked", sa.Integer(), nullable=False),
        sa.Column("corrections", sa.Integer(), nullable=False),
        sa.Column("standing", sa.String(length=16), nullable=False),
        sa.Column("urgency", sa.Integer(), nullable=False),
        sa.Column("search", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["appliance"],
            ["appliance.id"],
        ),
        sa.ForeignKeyConstraint(
            ["crew"],
            ["crew.id"],
        ),
        sa.ForeignKeyConstraint(
            ["microphone"],
            ["microphone.id"],
        ),
        sa.PrimaryKeyConstraint("no"),
        sa.UniqueConstraint("id"),
    )
    op.create_index(op.f("ix_visit_appliance"), "visit", ["appliance"], unique=False)
    op.create_index(
        "visit_listing",
        "visit",
        ["urgency", "began", "crew", "standing", "unsafe", "closed", "outside", "watch", "not_checked", "search", "no"],
        unique=False,
    )
    op.create_table(
        "entry",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("utc", sa.String(length=32), nullable=False),
        sa.Column("monotonic_s", sa.Float(precision=53), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("previous", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("in_seal", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.no"],
        ),
        sa.PrimaryKeyConstraint("visit", "seq"),
    )
    op.create_table(
        "finding",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("problem", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.no"],
        ),
        sa.PrimaryKeyConstraint("visit", "name"),
    )
    op.create_table(
        "follow_up",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.no"],
        ),
        sa.PrimaryKeyConstraint("visit", "seq"),
    )
    op.create_table(
        "notice",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.no"],
        ),
        sa.PrimaryKeyConstraint("visit", "seq"),
    )
    op.create_table(
        "reading",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("appliance", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("utc", sa.String(length=32), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["appliance"],
            ["appliance.id"],
        ),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.no"],
        ),
        sa.PrimaryKeyConstraint("visit", "seq"),
    )
    op.create_index("reading_trend", "reading", ["appliance", "quantity", "utc"], unique=False)
    op.create_table(
        "review",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("utc", sa.String(length=32), nullable=False),
        sa.Column("monotonic_s", sa.Float(precision=53), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("previous", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.no"],
        ),
        sa.PrimaryKeyConstraint("visit", "seq"),
    )
    op.create_table(
        "step",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("refused", sa.Integer(), nullable=False),
        sa.Column("corrected", sa.Integer(), nullable=False),
        sa.Column("skipped", sa.Integer(), nullable=False),
        sa.Column("unclear", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.no"],
        ),
        sa.PrimaryKeyConstraint("visit", "step"),
    )
    for table in ("entry", "review"):
        for statement in _only_grows(table, op.get_bind().dialect.name):
            op.execute(statement)


def _only_grows(table: str, dialect: str) -> list[str]:
    said = f"what is in {table} is never changed"
    if dialect == "sqlite":
        return [
            f"CREATE TRIGGER {table}_never_{what} BEFORE {what} ON {table} BEGIN SELECT RAISE(ABORT, '{said}'); END"
            for what in ("UPDATE", "DELETE")
        ]
    return [
        f"CREATE FUNCTION {table}_only_grows() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{said}'; END $$",
        f"CREATE TRIGGER {table}_only_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_only_grows()",
    ]
