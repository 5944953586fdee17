-- a store as version 1 wrote it: twenty readings, a feeding that was reported and taken back
PRAGMA application_id = 1245794900;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE carry (
        jar INTEGER NOT NULL REFERENCES jar,
        seq INTEGER NOT NULL,
        time_s REAL NOT NULL,
        body TEXT NOT NULL,
        PRIMARY KEY (jar, seq)
    ) STRICT, WITHOUT ROWID;
CREATE TABLE cursor (name TEXT PRIMARY KEY, place INTEGER NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE cycle (
        run INTEGER NOT NULL REFERENCES run,
        number INTEGER NOT NULL,
        fed_at_s REAL NOT NULL,
        ended_at_s REAL,
        body TEXT NOT NULL,
        PRIMARY KEY (run, number)
    ) STRICT, WITHOUT ROWID;
CREATE TABLE delivery (
        notice INTEGER NOT NULL REFERENCES notice,
        channel TEXT NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('waiting', 'sending', 'sent')),
        attempts INTEGER NOT NULL DEFAULT 0,
        interrupted INTEGER NOT NULL DEFAULT 0,
        changed_s REAL NOT NULL,
        error TEXT NOT NULL DEFAULT '',
        PRIMARY KEY (notice, channel)
    ) STRICT, WITHOUT ROWID;
CREATE TABLE event (
        id INTEGER PRIMARY KEY,
        jar INTEGER NOT NULL REFERENCES jar,
        run INTEGER NOT NULL REFERENCES run,
        seq INTEGER NOT NULL,
        kind TEXT NOT NULL,
        happened_s REAL NOT NULL,
        decided_s REAL NOT NULL,
        evidence TEXT NOT NULL,
        replaces TEXT,
        UNIQUE (run, kind, decided_s, happened_s)
    ) STRICT;
CREATE TABLE item (
        seq INTEGER PRIMARY KEY,
        run INTEGER REFERENCES run,
        jar INTEGER REFERENCES jar,
        received_s REAL CHECK (seq < 0 OR received_s IS NOT NULL),
        time_s REAL CHECK (time_s BETWEEN -62135596800 AND 253402300800),
        timed INTEGER NOT NULL DEFAULT 0 CHECK (timed IN (0, 1)),
        distance_mm REAL CHECK (distance_mm BETWEEN -1e6 AND 1e6),
        echo_us REAL CHECK (echo_us BETWEEN -1e6 AND 1e6),
        temperature_c REAL CHECK (temperature_c BETWEEN -1e6 AND 1e6),
        air_c REAL CHECK (air_c BETWEEN -1e6 AND 1e6),
        humidity_pct REAL CHECK (humidity_pct BETWEEN -1e6 AND 1e6),
        boot TEXT,
        device_seq INTEGER,
        told TEXT,
        thinned INTEGER,
        CHECK (jar IS NOT NULL OR told IS NOT NULL),
        CHECK ((boot IS NULL) = (device_seq IS NULL))
    ) STRICT;
INSERT INTO "item" VALUES(1,1,1,1772431200.0,1772431200.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(2,1,1,1772431210.0,1772431210.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(3,1,1,1772431220.0,1772431220.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(4,1,1,1772431230.0,1772431230.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(5,1,1,1772431240.0,1772431240.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(6,1,1,1772431250.0,1772431250.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(7,1,1,1772431260.0,1772431260.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(8,1,1,1772431270.0,1772431270.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(9,1,1,1772431280.0,1772431280.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(10,1,1,1772431290.0,1772431290.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(11,1,1,1772431300.0,1772431300.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(12,1,1,1772431310.0,1772431310.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(13,1,1,1772431320.0,1772431320.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(14,1,1,1772431330.0,1772431330.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(15,1,1,1772431340.0,1772431340.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(16,1,1,1772431350.0,1772431350.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(17,1,1,1772431360.0,1772431360.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(18,1,1,1772431370.0,1772431370.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(19,1,1,1772431380.0,1772431380.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(20,1,1,1772431390.0,1772431390.0,1,100.0,NULL,24.0,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "item" VALUES(21,1,1,1772431200.0,1772431200.0,0,NULL,NULL,NULL,NULL,NULL,NULL,NULL,'{"fed": {"starter_g": null, "flour_g": 100, "water_g": null, "flour": null}}',NULL);
INSERT INTO "item" VALUES(22,1,1,1772431200.0,1772431200.0,0,NULL,NULL,NULL,NULL,NULL,NULL,NULL,'{"taken_back": 21}',NULL);
CREATE TABLE jar (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE CHECK (name <> '')) STRICT;
INSERT INTO "jar" VALUES(1,'rye');
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE notice (
        id INTEGER PRIMARY KEY,
        run INTEGER NOT NULL,
        jar TEXT NOT NULL,
        cycle INTEGER NOT NULL,
        kind TEXT NOT NULL,
        repeat INTEGER NOT NULL,
        due_s REAL NOT NULL,
        expires_s REAL NOT NULL,
        title TEXT NOT NULL,
        text TEXT NOT NULL,
        urgent INTEGER NOT NULL CHECK (urgent IN (0, 1)),
        state TEXT NOT NULL DEFAULT 'pending'
            CHECK (state IN ('pending', 'sent', 'superseded', 'expired')),
        changed_s REAL NOT NULL,
        UNIQUE (run, jar, cycle, kind, repeat)
    ) STRICT;
CREATE TABLE parked (
        id INTEGER PRIMARY KEY,
        cursor TEXT NOT NULL,
        place INTEGER NOT NULL,
        parked_s REAL NOT NULL,
        reason TEXT NOT NULL,
        UNIQUE (cursor, place)
    ) STRICT;
CREATE TABLE rejected (
        day TEXT NOT NULL,
        source TEXT NOT NULL,
        reason TEXT NOT NULL,
        count INTEGER NOT NULL CHECK (count > 0),
        last_s REAL NOT NULL,
        last_jar TEXT,
        last_detail TEXT NOT NULL,
        PRIMARY KEY (day, source, reason)
    ) STRICT, WITHOUT ROWID;
CREATE TABLE run (
        id INTEGER PRIMARY KEY,
        jar INTEGER NOT NULL REFERENCES jar,
        began_s REAL NOT NULL,
        ended_s REAL,
        first_seq INTEGER NOT NULL,
        reason TEXT NOT NULL,
        empty_mm REAL,
        geometry TEXT NOT NULL,
        header TEXT NOT NULL DEFAULT '{}',
        digest TEXT UNIQUE
    ) STRICT;
INSERT INTO "run" VALUES(1,1,1772431200.0,NULL,1,'the jar''s shape was changed',180.0,'straight','{}',NULL);
CREATE INDEX run_of_jar ON run (jar, id);
CREATE UNIQUE INDEX once_by_seq ON item (jar, boot, device_seq) WHERE boot IS NOT NULL;
CREATE UNIQUE INDEX once_by_time ON item (jar, time_s, (distance_mm IS NULL AND echo_us IS NULL))
        WHERE timed = 1 AND boot IS NULL;
CREATE INDEX told_items ON item (jar, time_s) WHERE told IS NOT NULL;
CREATE INDEX notice_waiting ON notice (due_s) WHERE state = 'pending';
COMMIT;
