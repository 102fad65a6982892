"""The append-only record: SQLite, chain, seal, what a visit is worked by and its fold."""
