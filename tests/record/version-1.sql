-- A record that schema version 1 wrote (2026-11-25), as text.
PRAGMA application_id = 1229409878;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE entry (
    seq INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    utc TEXT NOT NULL,
    monotonic_s REAL NOT NULL,
    body TEXT NOT NULL,
    previous TEXT NOT NULL,
    hash TEXT NOT NULL
) STRICT;
INSERT INTO "entry" VALUES(1,'opened','2026-01-05T09:00:00.000Z',0.0,'{"resumed":false}','0000000000000000000000000000000000000000000000000000000000000000','0658b35ea2d7352c81c74014a085af7035a2b1d2f619e4e38e95d66aa9a979e2');
INSERT INTO "entry" VALUES(2,'said','2026-01-05T09:00:01.500Z',1.5,'{"at_s":3.25,"audio":"0001.flac","heard":{"alternatives":[],"second":"","text":"one twenty ohms","words":[]}}','0658b35ea2d7352c81c74014a085af7035a2b1d2f619e4e38e95d66aa9a979e2','d676c6f277834b159e83a9cf5ac442cbb061cc3052da04acc481078028a3b3b8');
INSERT INTO "entry" VALUES(3,'reading','2026-01-05T09:00:03.000Z',3.0,'{"quantity":"igniter-resistance","step":"igniter-cold","unit":"ohm","value":"120"}','d676c6f277834b159e83a9cf5ac442cbb061cc3052da04acc481078028a3b3b8','f37d4ce415df1812de51ea50f01ec39fac8a2ed7f057296073a2e590afea1357');
INSERT INTO "entry" VALUES(4,'voiced','2026-01-05T09:00:04.500Z',4.5,'{"complete":true,"problem":""}','f37d4ce415df1812de51ea50f01ec39fac8a2ed7f057296073a2e590afea1357','cf1e0b85065841c0a206f8d04638887f22fb4aa7475d4f8ea443df35084a1509');
INSERT INTO "entry" VALUES(5,'closed','2026-01-05T09:00:06.000Z',6.0,'{"remarks":[]}','cf1e0b85065841c0a206f8d04638887f22fb4aa7475d4f8ea443df35084a1509','07a8e836e7933ed8c7e4c4b8e538c8b6cef69049d5bbd9d6c8ad4e6c70af2dd6');
CREATE TRIGGER entry_is_never_changed BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'an entry of a visit record is never changed'); END;
CREATE TRIGGER entry_is_never_deleted BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'an entry of a visit record is never deleted'); END;
CREATE TRIGGER entry_is_only_appended BEFORE INSERT ON entry
WHEN NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM entry)
BEGIN SELECT RAISE(ABORT, 'a visit record only grows at its end'); END;
COMMIT;
