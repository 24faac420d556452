-- The store of tilldawn, first layout.
--
-- Times are whole milliseconds since 1970-01-01T00:00:00Z unless a name ends in `_s` (whole seconds) or `_boot` (milliseconds
-- since the machine started, by which durations are measured). The views at the end show the same rows with names, units and
-- ISO 8601 times; any SQLite tool can read them. Only `journal`, `pieces` and `times` hold packed data; their layout is told at
-- the tables and in src/store/piece.rs.

PRAGMA application_id = 1953260654; -- "tldn": tells a store of this program from other databases

-- Facts about the store itself: `created` (ms), `invented` ('1' if the readings are a rehearsal's), `field` (name of the PC).
CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

-- Measured quantities. The number is the same in every table.
CREATE TABLE signals (
    id         INTEGER PRIMARY KEY,
    name       TEXT NOT NULL UNIQUE, -- kind.name or kind.name.quantity
    unit       TEXT NOT NULL,        -- degC, percent, bytes, …
    resolution REAL NOT NULL,        -- readings are rounded to this step, in the unit
    low        REAL NOT NULL,        -- smallest and largest possible value, in the unit
    high       REAL NOT NULL,
    what       TEXT NOT NULL,        -- what it means, one phrase
    place      TEXT NOT NULL         -- where it is taken: box, outside, component, …; empty for most
);

-- Why a value was not there. Readings hold the number of the reason.
CREATE TABLE reasons (
    id   INTEGER PRIMARY KEY,
    code INTEGER NOT NULL, -- 1 absent, 2 refused, 3 timed out, 4 garbled, 5 out of range, 6 jumped, 7 frozen, 8 silent, 9 unsupported, 10 failed, 11 not yet
    text TEXT NOT NULL,
    UNIQUE (code, text)
);

-- Readings as they were committed, until they are sealed into pieces: one row per commit and window of ten minutes.
-- Numbers are 16 apart, so that a row can fall into two windows in place when it is dated anew.
-- `at` of the newest row is the last instant at which the agent is known to have been watching.
CREATE TABLE journal (
    id       INTEGER PRIMARY KEY,
    run      INTEGER NOT NULL, -- runs.id
    window_s INTEGER NOT NULL, -- start of the ten minutes, seconds
    at       INTEGER NOT NULL, -- instant of the batch
    boot_offset INTEGER NOT NULL, -- wall clock minus time since boot when it was written, for dating it anew
    body     BLOB NOT NULL     -- packed columns, with a checksum
);

-- How far the sealing that goes on has come: journal rows up to `through_row` are sealed for signals up to `through_signal`.
CREATE TABLE sealing (
    only           INTEGER PRIMARY KEY CHECK (only = 1),
    through_row    INTEGER NOT NULL,
    through_signal INTEGER NOT NULL
);
INSERT INTO sealing VALUES (1, 0, 0);

-- Fine readings: one signal over one window of ten minutes. id = signal << 40 | start of the window in seconds (a second piece
-- of the same window, kept apart because the first cannot be read, has the next number).
CREATE TABLE pieces (
    id          INTEGER PRIMARY KEY,
    min         REAL,             -- of the known values, in the unit; null if none is known
    mean        REAL,
    max         REAL,
    count       INTEGER NOT NULL, -- known values
    unavailable INTEGER NOT NULL, -- readings without a value
    crc         INTEGER NOT NULL, -- CRC-32 of the columns above, as a signed number; `body` ends in its own
    body        BLOB NOT NULL
);

-- Instants shared by the pieces of one window. id = start of the window in seconds << 10 | number.
CREATE TABLE times (
    id   INTEGER PRIMARY KEY,
    body BLOB NOT NULL
);

-- Minutes, kept for years: one row for each signal and hour, with one entry per minute in each list (JSON; null: nothing known).
-- id = signal << 40 | start of the hour in seconds. A listed number n stands for
--   min of the minute  = (base + n) * times / per
--   max of the minute  = (base + n of `mins` + n) * times / per
--   mean of the minute = (base + n / 10) * times / per       (so a mean is rounded to a tenth of the signal's resolution)
-- If `per` is 0, mins, means and maxs hold the values themselves. `counts` and `unavailables` are lists, or one number for all
-- minutes with a known value. The view `minutes` does this arithmetic.
CREATE TABLE hours (
    id           INTEGER PRIMARY KEY,
    min          REAL,
    mean         REAL,
    max          REAL,
    count        INTEGER NOT NULL,
    unavailable  INTEGER NOT NULL,
    base         INTEGER NOT NULL,
    times        REAL NOT NULL,
    per          REAL NOT NULL,
    mins         TEXT NOT NULL,
    means        TEXT NOT NULL,
    maxs         TEXT NOT NULL,
    counts       TEXT NOT NULL,
    unavailables TEXT NOT NULL,
    crc          INTEGER NOT NULL -- CRC-32 of all columns above, as a signed number
);

-- Runs of the agent.
CREATE TABLE runs (
    id             INTEGER PRIMARY KEY,
    started        INTEGER NOT NULL,
    started_boot   INTEGER NOT NULL,
    last_seen      INTEGER NOT NULL, -- known only once the run is over; while it goes on, the newest journal row tells
    last_seen_boot INTEGER NOT NULL,
    ended          TEXT NOT NULL,    -- running, clean, crash, power_cut, machine_restart
    boot_id        TEXT NOT NULL,
    version        TEXT NOT NULL
);

-- Stretches in which the agent was not looking.
CREATE TABLE gaps (
    id        INTEGER PRIMARY KEY,
    from_at   INTEGER NOT NULL,
    to_at     INTEGER NOT NULL,
    why       TEXT NOT NULL, -- crash, power_cut, machine_restart, stopped, stall, suspend, dropped, never_ran
    run       INTEGER NOT NULL,
    from_boot INTEGER,       -- null if it began before this boot
    to_boot   INTEGER NOT NULL
);
CREATE INDEX gaps_from ON gaps (from_at);

-- Steps in the lives of alarms.
CREATE TABLE transitions (
    seq            INTEGER PRIMARY KEY,
    alarm          INTEGER NOT NULL,
    at             INTEGER NOT NULL, -- when the condition began or ended
    at_boot        INTEGER NOT NULL,
    announced      INTEGER NOT NULL, -- when it was announced, after its delay
    announced_boot INTEGER NOT NULL,
    rule           TEXT NOT NULL,
    thing          TEXT NOT NULL,
    priority       TEXT NOT NULL,    -- low, medium, high
    change         TEXT NOT NULL,    -- raised, acknowledged, returned, shelved, unshelved, stale, chattering, settled, removed
    by             TEXT,             -- who acknowledged or shelved
    until          INTEGER,          -- end of shelving
    wakes          INTEGER NOT NULL, -- 1 if it may wake somebody
    text           TEXT NOT NULL,
    value          REAL,
    incident       INTEGER,
    run            INTEGER NOT NULL
);
CREATE INDEX transitions_alarm ON transitions (alarm, seq);
CREATE INDEX transitions_at ON transitions (at);

-- Things that happened at an instant.
CREATE TABLE events (
    id      INTEGER PRIMARY KEY,
    at      INTEGER NOT NULL,
    at_boot INTEGER NOT NULL,
    within  INTEGER NOT NULL, -- ms: the instant lies between at - within and at
    thing   TEXT NOT NULL,
    kind    TEXT NOT NULL,
    text    TEXT NOT NULL,
    detail  TEXT NOT NULL,    -- JSON object
    run     INTEGER NOT NULL
);
CREATE INDEX events_at ON events (at);
CREATE INDEX events_kind ON events (kind, at);

CREATE TABLE sessions (
    id           INTEGER PRIMARY KEY,
    started      INTEGER NOT NULL,
    started_boot INTEGER NOT NULL,
    why          TEXT NOT NULL, -- light_frame, chain_up, person, dusk, always
    ended        INTEGER,
    ended_boot   INTEGER,
    end_why      TEXT,          -- person, orderly_close, dawn, machine_stopped, reconfigured
    run          INTEGER NOT NULL
);
CREATE INDEX sessions_started ON sessions (started);

-- Alarms and events that belong together. `members` is a JSON list; the first is what failed first.
CREATE TABLE incidents (
    id            INTEGER PRIMARY KEY,
    session       INTEGER,
    opened        INTEGER NOT NULL,
    opened_boot   INTEGER NOT NULL,
    closed        INTEGER,
    closed_boot   INTEGER,
    first_thing   TEXT NOT NULL,
    kind          TEXT NOT NULL,    -- device, program, link, machine, storage, power, heat
    harmless      INTEGER NOT NULL,
    pause_only    INTEGER NOT NULL,
    order_certain INTEGER NOT NULL,
    members       TEXT NOT NULL,
    run           INTEGER NOT NULL
);
CREATE INDEX incidents_opened ON incidents (opened);

-- What a person said of an incident; the latest holds, a null kind takes it back.
CREATE TABLE marks (
    id       INTEGER PRIMARY KEY,
    incident INTEGER NOT NULL,
    at       INTEGER NOT NULL,
    at_boot  INTEGER NOT NULL,
    kind     TEXT,          -- my_doing, cloud, test, not_a_fault
    words    TEXT NOT NULL,
    run      INTEGER NOT NULL
);
CREATE INDEX marks_incident ON marks (incident, id);

-- The detailed record around what failed first: part is before or after.
CREATE TABLE leadups (
    incident INTEGER NOT NULL,
    part     TEXT NOT NULL,
    body     BLOB NOT NULL,
    PRIMARY KEY (incident, part)
);

-- Changes that the person made in the hope of fewer faults.
CREATE TABLE remedies (
    id            INTEGER PRIMARY KEY,
    name          TEXT NOT NULL,
    added         INTEGER NOT NULL,
    since         INTEGER NOT NULL,
    until         INTEGER,
    only_nights   TEXT NOT NULL, -- JSON list of evening dates; empty list: every night
    hard_when     TEXT,          -- JSON object, frozen when it was added
    record_before INTEGER NOT NULL,
    hindsight     INTEGER NOT NULL
);

-- Faults brought in from elsewhere. A null end: the rest of that night was lost.
CREATE TABLE imported_faults (
    id      INTEGER PRIMARY KEY,
    from_at INTEGER NOT NULL,
    to_at   INTEGER,
    name    TEXT NOT NULL,
    kind    TEXT,
    UNIQUE (from_at, name)
);

-- Files that were brought in.
CREATE TABLE imports (
    id      INTEGER PRIMARY KEY,
    at      INTEGER NOT NULL,
    source  TEXT NOT NULL, -- name of the file
    digest  TEXT NOT NULL, -- SHA-256 of its content
    summary TEXT NOT NULL  -- JSON: rows taken, rows left out, first and last instant, signals
);

-- What the agent needs to go on after a start: `engine` (JSON).
CREATE TABLE state (
    key   TEXT PRIMARY KEY,
    value BLOB NOT NULL
) WITHOUT ROWID;

-- ---------------------------------------------------------------------------------------------------------------- views

CREATE VIEW minutes AS
SELECT signal, unit, strftime('%Y-%m-%dT%H:%MZ', time_s, 'unixepoch') AS time, time_s * 1000 AS time_ms, min, mean, max, count, unavailable
FROM (
    SELECT s.name AS signal,
           s.unit AS unit,
           (h.id & 1099511627775) + 60 * m.key AS time_s,
           CASE WHEN h.per = 0 THEN m.value ELSE (h.base + m.value) * h.times / h.per END AS min,
           CASE WHEN h.per = 0 THEN json_extract(h.means, '$[' || m.key || ']')
                ELSE (h.base + json_extract(h.means, '$[' || m.key || ']') / 10.0) * h.times / h.per END AS mean,
           CASE WHEN h.per = 0 THEN json_extract(h.maxs, '$[' || m.key || ']')
                ELSE (h.base + m.value + json_extract(h.maxs, '$[' || m.key || ']')) * h.times / h.per END AS max,
           CASE WHEN m.value IS NULL THEN 0
                WHEN json_type(h.counts) = 'array' THEN json_extract(h.counts, '$[' || m.key || ']')
                ELSE CAST(h.counts AS INTEGER) END AS count,
           CASE WHEN json_type(h.unavailables) = 'array' THEN json_extract(h.unavailables, '$[' || m.key || ']')
                ELSE CAST(h.unavailables AS INTEGER) END AS unavailable
    FROM hours h
    JOIN signals s ON s.id = h.id >> 40
    JOIN json_each(h.mins) m
)
WHERE count > 0 OR unavailable > 0;

CREATE VIEW hourly AS
SELECT s.name AS signal,
       s.unit AS unit,
       strftime('%Y-%m-%dT%H:%MZ', h.id & 1099511627775, 'unixepoch') AS time,
       (h.id & 1099511627775) * 1000 AS time_ms,
       h.min, h.mean, h.max, h.count, h.unavailable
FROM hours h
JOIN signals s ON s.id = h.id >> 40;

CREATE VIEW ten_minutes AS
SELECT s.name AS signal,
       s.unit AS unit,
       strftime('%Y-%m-%dT%H:%MZ', (p.id & 1099511627775) / 600 * 600, 'unixepoch') AS time,
       (p.id & 1099511627775) / 600 * 600000 AS time_ms,
       p.min, p.mean, p.max, p.count, p.unavailable
FROM pieces p
JOIN signals s ON s.id = p.id >> 40;

CREATE VIEW alarms AS
SELECT t.alarm,
       t.rule,
       t.thing,
       t.priority,
       t.text,
       t.value,
       t.incident,
       t.wakes,
       strftime('%Y-%m-%dT%H:%M:%fZ', t.at / 1000.0, 'unixepoch') AS raised,
       t.at AS raised_ms,
       strftime('%Y-%m-%dT%H:%M:%fZ', a.at / 1000.0, 'unixepoch') AS acknowledged,
       a.at AS acknowledged_ms,
       a.by AS acknowledged_by,
       strftime('%Y-%m-%dT%H:%M:%fZ', r.at / 1000.0, 'unixepoch') AS over,
       r.at AS over_ms,
       r.change AS over_by
FROM transitions t
LEFT JOIN transitions a ON a.seq = (SELECT min(seq) FROM transitions x WHERE x.alarm = t.alarm AND x.change = 'acknowledged')
LEFT JOIN transitions r ON r.seq = (SELECT max(seq) FROM transitions x WHERE x.alarm = t.alarm AND x.change IN ('returned', 'removed'))
WHERE t.change = 'raised';

CREATE VIEW alarm_steps AS
SELECT seq, alarm, strftime('%Y-%m-%dT%H:%M:%fZ', at / 1000.0, 'unixepoch') AS time, at AS time_ms,
       strftime('%Y-%m-%dT%H:%M:%fZ', announced / 1000.0, 'unixepoch') AS announced_time, announced AS announced_ms,
       rule, thing, priority, change, by, until AS until_ms, wakes, text, value, incident
FROM transitions;

CREATE VIEW happenings AS
SELECT id, strftime('%Y-%m-%dT%H:%M:%fZ', at / 1000.0, 'unixepoch') AS time, at AS time_ms, within AS within_ms,
       thing, kind, text, detail
FROM events;

CREATE VIEW changes AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', at / 1000.0, 'unixepoch') AS time, at AS time_ms,
       json_extract(detail, '$.what') AS what, json_extract(detail, '$.old') AS old, json_extract(detail, '$.new') AS new
FROM events
WHERE kind = 'changed';

CREATE VIEW session_list AS
SELECT id, strftime('%Y-%m-%dT%H:%M:%fZ', started / 1000.0, 'unixepoch') AS started, started AS started_ms, why,
       strftime('%Y-%m-%dT%H:%M:%fZ', ended / 1000.0, 'unixepoch') AS ended, ended AS ended_ms, end_why
FROM sessions;

CREATE VIEW incident_list AS
SELECT i.id, i.session, strftime('%Y-%m-%dT%H:%M:%fZ', i.opened / 1000.0, 'unixepoch') AS opened, i.opened AS opened_ms,
       strftime('%Y-%m-%dT%H:%M:%fZ', i.closed / 1000.0, 'unixepoch') AS closed, i.closed AS closed_ms,
       i.first_thing AS failed_first, i.kind, i.harmless, i.pause_only, m.kind AS mark, m.words AS mark_words
FROM incidents i
LEFT JOIN marks m ON m.id = (SELECT max(id) FROM marks x WHERE x.incident = i.id);

CREATE VIEW gap_list AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', from_at / 1000.0, 'unixepoch') AS started, from_at AS started_ms,
       strftime('%Y-%m-%dT%H:%M:%fZ', to_at / 1000.0, 'unixepoch') AS ended, to_at AS ended_ms, why
FROM gaps;

CREATE VIEW run_list AS
SELECT r.id, strftime('%Y-%m-%dT%H:%M:%fZ', r.started / 1000.0, 'unixepoch') AS started, r.started AS started_ms,
       strftime('%Y-%m-%dT%H:%M:%fZ', coalesce(j.at, r.last_seen) / 1000.0, 'unixepoch') AS last_seen,
       coalesce(j.at, r.last_seen) AS last_seen_ms, r.ended, r.boot_id, r.version
FROM runs r
LEFT JOIN journal j ON r.ended = 'running' AND j.id = (SELECT max(id) FROM journal x WHERE x.run = r.id);
