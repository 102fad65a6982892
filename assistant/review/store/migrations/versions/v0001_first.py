"""The tables that the store began with. A new store is made of `schema` itself, so there is nothing to do for them."""

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Nothing."""
