-- The tables of a record's file as commit 7c9d542 made them (schema version 2).
PRAGMA application_id = 1229409878;
PRAGMA user_version = 2;
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
CREATE TRIGGER entry_is_only_appended BEFORE INSERT ON entry
WHEN NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM entry)
BEGIN SELECT RAISE(ABORT, 'a visit record only grows at its end'); END;
CREATE TRIGGER entry_is_not_after_the_end BEFORE INSERT ON entry
WHEN (SELECT kind FROM entry ORDER BY seq DESC LIMIT 1) = 'end'
BEGIN SELECT RAISE(ABORT, 'a visit record never grows after its end'); END;
