"""What a check of a visit found, whether it was stopped for danger, and the log of the heads that were lodged."""

import sqlalchemy as sa
from alembic import op

from assistant.review.store import schema

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Adds them; what is derived is made again by whoever opens the store."""
    op.drop_index("visit_listing", "visit")
    op.add_column("visit", sa.Column("stopped", sa.Boolean(), nullable=False, server_default=sa.false()))
    op.add_column("visit", sa.Column("problem", sa.Text(), nullable=False, server_default=""))
    op.create_index("visit_listing", "visit", ["urgency", "began", *schema.LISTED_BY])
    schema.lodged.create(op.get_bind())
