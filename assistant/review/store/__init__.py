"""One store for the visits of many crews: an SQLite file, or PostgreSQL where crews share it."""
