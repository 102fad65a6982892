"""Readings by their figures, what was asked, meters, what was mended, and who may open the page.

What was worked out stands among the readings; notices and follow-ups were kept here and never looked for.
"""

import sqlalchemy as sa
from alembic import op

from assistant.review.store import schema

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Makes them; what is derived is made again by whoever opens the store."""
    for name in ("reading", "finding", "notice", "follow_up", "step"):
        op.drop_table(name)
    for name in ("dangers", "mended"):
        op.add_column("visit", sa.Column(name, sa.Integer(), nullable=False, server_default="0"))
    for table in (*schema.DERIVED, schema.account):
        table.create(op.get_bind())
