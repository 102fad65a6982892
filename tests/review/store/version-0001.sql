BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE appliance (
	id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (name)
);
CREATE TABLE crew (
	id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (name)
);
CREATE TABLE entry (
	visit INTEGER NOT NULL, 
	seq INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	utc VARCHAR(32) NOT NULL, 
	monotonic_s FLOAT NOT NULL, 
	body TEXT NOT NULL, 
	previous VARCHAR(64) NOT NULL, 
	hash VARCHAR(64) NOT NULL, 
	in_seal BOOLEAN NOT NULL, 
	PRIMARY KEY (visit, seq), 
	FOREIGN KEY(visit) REFERENCES visit (no)
);
CREATE TABLE finding (
	visit INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	value TEXT NOT NULL, 
	unit TEXT NOT NULL, 
	outcome TEXT NOT NULL, 
	problem TEXT NOT NULL, 
	PRIMARY KEY (visit, name), 
	FOREIGN KEY(visit) REFERENCES visit (no)
);
CREATE TABLE follow_up (
	visit INTEGER NOT NULL, 
	seq INTEGER NOT NULL, 
	body TEXT, 
	PRIMARY KEY (visit, seq), 
	FOREIGN KEY(visit) REFERENCES visit (no)
);
CREATE TABLE microphone (
	id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (name)
);
CREATE TABLE notice (
	visit INTEGER NOT NULL, 
	seq INTEGER NOT NULL, 
	body TEXT, 
	PRIMARY KEY (visit, seq), 
	FOREIGN KEY(visit) REFERENCES visit (no)
);
CREATE TABLE reading (
	visit INTEGER NOT NULL, 
	seq INTEGER NOT NULL, 
	appliance INTEGER NOT NULL, 
	quantity TEXT NOT NULL, 
	utc VARCHAR(32) NOT NULL, 
	value TEXT NOT NULL, 
	unit TEXT NOT NULL, 
	outcome TEXT NOT NULL, 
	PRIMARY KEY (visit, seq), 
	FOREIGN KEY(appliance) REFERENCES appliance (id), 
	FOREIGN KEY(visit) REFERENCES visit (no)
);
CREATE TABLE recording (
	visit VARCHAR(64) NOT NULL, 
	name TEXT NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	data BLOB NOT NULL, 
	PRIMARY KEY (visit, name)
);
CREATE TABLE review (
	visit INTEGER NOT NULL, 
	seq INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	utc VARCHAR(32) NOT NULL, 
	monotonic_s FLOAT NOT NULL, 
	body TEXT NOT NULL, 
	previous VARCHAR(64) NOT NULL, 
	hash VARCHAR(64) NOT NULL, 
	PRIMARY KEY (visit, seq), 
	FOREIGN KEY(visit) REFERENCES visit (no)
);
CREATE TABLE step (
	visit INTEGER NOT NULL, 
	step TEXT NOT NULL, 
	refused INTEGER NOT NULL, 
	corrected INTEGER NOT NULL, 
	skipped INTEGER NOT NULL, 
	unclear INTEGER NOT NULL, 
	PRIMARY KEY (visit, step), 
	FOREIGN KEY(visit) REFERENCES visit (no)
);
CREATE TABLE visit (
	no INTEGER NOT NULL, 
	id VARCHAR(64) NOT NULL, 
	head VARCHAR(64) NOT NULL, 
	entries INTEGER NOT NULL, 
	appliance INTEGER NOT NULL, 
	crew INTEGER NOT NULL, 
	microphone INTEGER NOT NULL, 
	began VARCHAR(32) NOT NULL, 
	site TEXT NOT NULL, 
	procedure TEXT NOT NULL, 
	closed BOOLEAN NOT NULL, 
	unsafe BOOLEAN NOT NULL, 
	outside INTEGER NOT NULL, 
	watch INTEGER NOT NULL, 
	not_checked INTEGER NOT NULL, 
	corrections INTEGER NOT NULL, 
	standing VARCHAR(16) NOT NULL, 
	urgency INTEGER NOT NULL, 
	search TEXT NOT NULL, 
	PRIMARY KEY (no), 
	FOREIGN KEY(appliance) REFERENCES appliance (id), 
	FOREIGN KEY(crew) REFERENCES crew (id), 
	FOREIGN KEY(microphone) REFERENCES microphone (id), 
	UNIQUE (id)
);
CREATE INDEX ix_visit_appliance ON visit (appliance);
CREATE INDEX visit_listing ON visit (urgency, began, crew, standing, unsafe, closed, outside, watch, not_checked, search, no);
CREATE INDEX reading_trend ON reading (appliance, quantity, utc);
CREATE TRIGGER entry_never_UPDATE BEFORE UPDATE ON entry BEGIN SELECT RAISE(ABORT, 'what is in entry is never changed'); END;
CREATE TRIGGER entry_never_DELETE BEFORE DELETE ON entry BEGIN SELECT RAISE(ABORT, 'what is in entry is never changed'); END;
CREATE TRIGGER review_never_UPDATE BEFORE UPDATE ON review BEGIN SELECT RAISE(ABORT, 'what is in review is never changed'); END;
CREATE TRIGGER review_never_DELETE BEFORE DELETE ON review BEGIN SELECT RAISE(ABORT, 'what is in review is never changed'); END;
COMMIT;
