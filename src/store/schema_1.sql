-- What each channel is doing, by code.
CREATE TABLE activity (
    code INTEGER PRIMARY KEY,
    word TEXT NOT NULL UNIQUE
) STRICT;

-- What every column of every table and view holds: the log explains itself.
CREATE TABLE quantity (
    table_name  TEXT NOT NULL,
    column_name TEXT NOT NULL,
    symbol      TEXT NOT NULL,
    unit        TEXT NOT NULL,
    meaning     TEXT NOT NULL,
    PRIMARY KEY (table_name, column_name)
) STRICT, WITHOUT ROWID;

-- One row per start of the program.
CREATE TABLE boot (
    number       INTEGER PRIMARY KEY,
    began_utc_us INTEGER NOT NULL,
    version      TEXT NOT NULL,
    station      TEXT NOT NULL,
    fingerprint  TEXT NOT NULL,
    seed         TEXT,
    note         TEXT
) STRICT;

-- One row per channel name ever used; the newest words about it.
CREATE TABLE channel (
    id      INTEGER PRIMARY KEY,
    name    TEXT NOT NULL UNIQUE,
    device  TEXT NOT NULL,
    tracker TEXT NOT NULL
) STRICT;

-- Pairs of the two clocks: one at the start of each boot, one after every step of the wall clock.
CREATE TABLE clock (
    boot    INTEGER NOT NULL REFERENCES boot (number),
    mono_us INTEGER NOT NULL,
    utc_us  INTEGER NOT NULL,
    PRIMARY KEY (boot, mono_us)
) STRICT, WITHOUT ROWID;

-- Whole numbers of small units keep a row short; sample_view shows V, A, W.
-- No REFERENCES here: each would cost a look-up per row, and the one writer makes the keys itself.
CREATE TABLE sample (
    boot                      INTEGER NOT NULL,
    mono_us                   INTEGER NOT NULL,
    channel                   INTEGER NOT NULL,
    utc_us                    INTEGER NOT NULL,
    activity                  INTEGER NOT NULL,
    readings                  INTEGER NOT NULL,
    volts_uv                  INTEGER,
    amps_ua                   INTEGER,
    watts_uw                  INTEGER,
    setpoint_uv               INTEGER,
    irradiance_mw_m2          INTEGER,
    module_temperature_mdegc  INTEGER,
    crest_uw                  INTEGER,
    PRIMARY KEY (boot, mono_us, channel)
) STRICT, WITHOUT ROWID;

-- mono_us (when the record was closed) is part of the key, so that a wall clock stepped backwards
-- gives a second row for the same minute instead of a conflict; sums over rows stay right.
CREATE TABLE minute (
    channel      INTEGER NOT NULL REFERENCES channel (id),
    boot         INTEGER NOT NULL REFERENCES boot (number),
    start_utc_s  INTEGER NOT NULL,
    mono_us      INTEGER NOT NULL,
    utc_us       INTEGER NOT NULL,
    activity     INTEGER NOT NULL REFERENCES activity (code),
    volts_mean REAL, volts_min REAL, volts_max REAL, volts_deviation REAL,
    volts_count INTEGER NOT NULL,
    amps_mean REAL, amps_min REAL, amps_max REAL, amps_deviation REAL,
    amps_count INTEGER NOT NULL,
    watts_mean REAL, watts_min REAL, watts_max REAL, watts_deviation REAL,
    watts_count INTEGER NOT NULL,
    irradiance_mean REAL, irradiance_min REAL, irradiance_max REAL, irradiance_deviation REAL,
    irradiance_count INTEGER NOT NULL,
    module_temperature_mean REAL, module_temperature_min REAL, module_temperature_max REAL,
    module_temperature_deviation REAL, module_temperature_count INTEGER NOT NULL,
    energy_wh    REAL,
    covered_s    REAL NOT NULL,
    missing_s    REAL NOT NULL,
    PRIMARY KEY (channel, boot, start_utc_s, mono_us)
) STRICT, WITHOUT ROWID;

-- Totals of a UTC day so far. part counts on from 0 when the totals of the same date began anew
-- within one boot (a wall clock stepped back over midnight); sums over rows stay right.
CREATE TABLE day (
    channel           INTEGER NOT NULL REFERENCES channel (id),
    boot              INTEGER NOT NULL REFERENCES boot (number),
    date              TEXT NOT NULL,
    part              INTEGER NOT NULL,
    mono_us           INTEGER NOT NULL,
    utc_us            INTEGER NOT NULL,
    energy_wh         REAL,
    available_wh      REAL,
    irradiation_wh_m2 REAL,
    peak_w            REAL,
    tracking_s        REAL NOT NULL,
    covered_s         REAL NOT NULL,
    missing_s         REAL NOT NULL,
    gaps              INTEGER NOT NULL,
    PRIMARY KEY (channel, boot, date, part)
) STRICT, WITHOUT ROWID;

CREATE TABLE event (
    id       INTEGER PRIMARY KEY,
    boot     INTEGER NOT NULL REFERENCES boot (number),
    mono_us  INTEGER NOT NULL,
    utc_us   INTEGER NOT NULL,
    channel  INTEGER REFERENCES channel (id),
    severity TEXT NOT NULL,
    code     TEXT NOT NULL,
    text     TEXT NOT NULL,
    detail   TEXT
) STRICT;

-- For people with a plain SQLite shell: ISO 8601 times, names, words, V, A, W.
CREATE VIEW sample_view AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', s.utc_us / 1e6, 'unixepoch') AS time,
       c.name AS channel,
       a.word AS activity,
       s.readings,
       s.volts_uv / 1e6 AS volts,
       s.amps_ua / 1e6 AS amps,
       s.watts_uw / 1e6 AS watts,
       s.setpoint_uv / 1e6 AS setpoint,
       s.irradiance_mw_m2 / 1e3 AS irradiance,
       s.module_temperature_mdegc / 1e3 AS module_temperature,
       s.crest_uw / 1e6 AS crest_watts,
       s.boot,
       s.mono_us
FROM sample AS s
LEFT JOIN channel AS c ON c.id = s.channel
LEFT JOIN activity AS a ON a.code = s.activity;

CREATE VIEW minute_view AS
SELECT strftime('%Y-%m-%dT%H:%M:%SZ', m.start_utc_s, 'unixepoch') AS time,
       c.name AS channel,
       a.word AS activity,
       m.volts_mean, m.volts_min, m.volts_max, m.volts_deviation, m.volts_count,
       m.amps_mean, m.amps_min, m.amps_max, m.amps_deviation, m.amps_count,
       m.watts_mean, m.watts_min, m.watts_max, m.watts_deviation, m.watts_count,
       m.irradiance_mean, m.irradiance_min, m.irradiance_max, m.irradiance_deviation,
       m.irradiance_count,
       m.module_temperature_mean, m.module_temperature_min, m.module_temperature_max,
       m.module_temperature_deviation, m.module_temperature_count,
       m.energy_wh,
       m.covered_s,
       m.missing_s,
       m.boot
FROM minute AS m
LEFT JOIN channel AS c ON c.id = m.channel
LEFT JOIN activity AS a ON a.code = m.activity;

-- available_wh only where every part of the day knows it: half a reference would flatter.
CREATE VIEW day_total AS
SELECT c.name AS channel,
       d.date,
       sum(d.energy_wh) AS energy_wh,
       CASE WHEN count(d.available_wh) = count(*) THEN sum(d.available_wh) END AS available_wh,
       sum(d.irradiation_wh_m2) AS irradiation_wh_m2,
       max(d.peak_w) AS peak_w,
       sum(d.tracking_s) AS tracking_s,
       sum(d.covered_s) AS covered_s,
       sum(d.missing_s) AS missing_s,
       sum(d.gaps) AS gaps,
       sum(d.covered_s) / nullif(sum(d.covered_s) + sum(d.missing_s), 0.0) AS completeness,
       count(DISTINCT d.boot) AS boots
FROM day AS d
LEFT JOIN channel AS c ON c.id = d.channel
GROUP BY d.channel, d.date;

CREATE VIEW event_view AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', e.utc_us / 1e6, 'unixepoch') AS time,
       c.name AS channel,
       e.severity,
       e.code,
       e.text,
       e.detail,
       e.boot
FROM event AS e
LEFT JOIN channel AS c ON c.id = e.channel
ORDER BY e.id;
