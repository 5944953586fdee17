"""The store's tables and versions, as SQL. `store_file` opens and migrates the file, `store` works on it."""

from __future__ import annotations

APPLICATION_ID = 0x4A415254  # "JART", at offset 68 of the file header; `file(1)` can show it

# One jar's readings are small numbers and come in order, so the two unique indexes grow at their ends and a commit of
# 50 rows touches few pages. Measured values are bounded by CHECK because STRICT takes '12' for 12.0 and NaN for NULL.
# Live items have seq > 0 in order of arrival; items of imported runs have seq < 0, so they are never taken for new
# ones.
_FIRST = (
    "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID",
    "CREATE TABLE jar (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE CHECK (name <> '')) STRICT",
    """CREATE TABLE run (
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
    ) STRICT""",
    "CREATE INDEX run_of_jar ON run (jar, id)",
    """CREATE TABLE item (
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
    ) STRICT""",
    "CREATE UNIQUE INDEX once_by_seq ON item (jar, boot, device_seq) WHERE boot IS NOT NULL",
    """CREATE UNIQUE INDEX once_by_time ON item (jar, time_s, (distance_mm IS NULL AND echo_us IS NULL))
        WHERE timed = 1 AND boot IS NULL""",
    "CREATE INDEX told_items ON item (jar, time_s) WHERE told IS NOT NULL",
    """CREATE TABLE rejected (
        day TEXT NOT NULL,
        source TEXT NOT NULL,
        reason TEXT NOT NULL,
        count INTEGER NOT NULL CHECK (count > 0),
        last_s REAL NOT NULL,
        last_jar TEXT,
        last_detail TEXT NOT NULL,
        PRIMARY KEY (day, source, reason)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE carry (
        jar INTEGER NOT NULL REFERENCES jar,
        seq INTEGER NOT NULL,
        time_s REAL NOT NULL,
        body TEXT NOT NULL,
        PRIMARY KEY (jar, seq)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE event (
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
    ) STRICT""",
    """CREATE TABLE cycle (
        run INTEGER NOT NULL REFERENCES run,
        number INTEGER NOT NULL,
        fed_at_s REAL NOT NULL,
        ended_at_s REAL,
        body TEXT NOT NULL,
        PRIMARY KEY (run, number)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE notice (
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
    ) STRICT""",
    "CREATE INDEX notice_waiting ON notice (due_s) WHERE state = 'pending'",
    """CREATE TABLE delivery (
        notice INTEGER NOT NULL REFERENCES notice,
        channel TEXT NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('waiting', 'sending', 'sent')),
        attempts INTEGER NOT NULL DEFAULT 0,
        interrupted INTEGER NOT NULL DEFAULT 0,
        changed_s REAL NOT NULL,
        error TEXT NOT NULL DEFAULT '',
        PRIMARY KEY (notice, channel)
    ) STRICT, WITHOUT ROWID""",
    "CREATE TABLE cursor (name TEXT PRIMARY KEY, place INTEGER NOT NULL) STRICT, WITHOUT ROWID",
    """CREATE TABLE parked (
        id INTEGER PRIMARY KEY,
        cursor TEXT NOT NULL,
        place INTEGER NOT NULL,
        parked_s REAL NOT NULL,
        reason TEXT NOT NULL,
        UNIQUE (cursor, place)
    ) STRICT""",
)
# Reports are a few rows among millions, each on its own page: the indexes hold their text, so that the last report and
# those taken back are found without reading those pages.
_SECOND = (
    "DROP INDEX told_items",
    "CREATE INDEX told_items ON item (jar, time_s, told) WHERE told IS NOT NULL",
    """CREATE INDEX taken_back ON item (jar, told) WHERE told LIKE '{"taken_back"%'""",
)
TAKING_BACK = "told_kind = 'taken_back'"  # only a query with these very words uses the index
# The kind of a report has a column. Why a run began is a key; its words are in the program. How many readings never
# came, as their device's numbers show, is stored with the time from which they are missing.
_TOLD_KINDS = """UPDATE item SET told_kind = CASE
    WHEN told LIKE '{"fed"%' THEN 'fed'
    WHEN told LIKE '{"taken_back"%' THEN 'taken_back'
    WHEN told LIKE '{"clock_set_s"%' THEN 'clock_set'
    ELSE json_extract(told, '$.noted') END WHERE told IS NOT NULL AND told_kind IS NULL"""
_RUN_REASONS = """UPDATE run SET reason = CASE reason
    WHEN 'first start' THEN 'first_start'
    WHEN 'first reading' THEN 'first_reading'
    WHEN 'watched again' THEN 'watched_again'
    WHEN 'the jar''s shape was changed' THEN 'shape_changed'
    WHEN 'the empty distance was changed' THEN 'empty_distance_changed'
    WHEN 'asked for' THEN 'asked_for'
    WHEN 'another starter' THEN 'another_starter'
    WHEN 'import not finished' THEN 'import_not_finished'
    ELSE reason END"""
OF_OLDER_ROWS = (_TOLD_KINDS, _RUN_REASONS)
"""What brings rows up to date that were read out of a damaged store of an older version; harmless for others."""
_THIRD = (
    "ALTER TABLE item ADD COLUMN told_kind TEXT",
    _TOLD_KINDS,
    "DROP INDEX taken_back",
    "DROP INDEX told_items",
    "CREATE INDEX told_items ON item (jar, time_s, told_kind, told) WHERE told IS NOT NULL",
    f"CREATE INDEX taken_back ON item (jar, told) WHERE {TAKING_BACK}",
    _RUN_REASONS,
    """CREATE TABLE missing (
        id INTEGER PRIMARY KEY,
        jar INTEGER NOT NULL REFERENCES jar,
        boot TEXT NOT NULL,
        after_number INTEGER NOT NULL,
        before_number INTEGER NOT NULL,
        count INTEGER NOT NULL CHECK (count > 0),
        from_s REAL NOT NULL,
        to_s REAL NOT NULL,
        UNIQUE (jar, boot, after_number)
    ) STRICT""",
)
# What the smoother says of a finished cycle (JSON; NULL: not smoothed yet), beside what was decided at the time.
_FOURTH = ("ALTER TABLE cycle ADD COLUMN smoothed TEXT",)
# A jar that comes from another daemon's store brings its items of the last week along. They come now, in the order of
# arrival that everything here relies on, and are judged by when the other daemon received them.
_FIFTH = ("ALTER TABLE item ADD COLUMN first_received_s REAL",)
MIGRATIONS: tuple[tuple[str, ...], ...] = (_FIRST, _SECOND, _THIRD, _FOURTH, _FIFTH)
"""Statements that bring a file from version n to n + 1. Released ones are never edited, only followed by new ones."""


def tables() -> set[str]:
    """The names of all tables that a file of this version has."""
    return {
        words[2] for step in MIGRATIONS for statement in step if (words := statement.split())[:2] == ["CREATE", "TABLE"]
    }
