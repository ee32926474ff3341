-- Narrow rows. A stretch is at most 70 min of one channel within a boot: where both clocks stood
-- when it began. Rows of samples are numbered stretch * 4194304 + milliseconds since
-- then, which says boot, channel and both clocks in six bytes; minutes by seconds in four. A step of the wall clock begins a
-- new stretch.
CREATE TABLE stretch (
    id      INTEGER PRIMARY KEY,
    boot    INTEGER NOT NULL REFERENCES boot (number),
    channel INTEGER NOT NULL REFERENCES channel (id),
    mono_us INTEGER NOT NULL,
    utc_us  INTEGER NOT NULL
) STRICT;
CREATE INDEX stretch_times ON stretch (channel, utc_us);

-- About this file: the number of the last packing of the -tail file beside it, and the month (UTC)
-- that it was begun in.
CREATE TABLE file (
    only       INTEGER PRIMARY KEY CHECK (only = 0),
    generation INTEGER NOT NULL,
    month      TEXT
) STRICT;
INSERT INTO file SELECT 0, 0, strftime('%Y-%m', min(began_utc_us) / 1e6, 'unixepoch') FROM boot;

-- Rows of before: a stretch for each hour of the monotonic clock and each second of offset of the
-- wall clock; times are kept to a millisecond, as from now on.
CREATE TEMP TABLE moved AS
SELECT boot, channel, mono_us / 3600000000 AS hour, (utc_us - mono_us) / 1000000 AS off,
       min(mono_us) AS mono_us, min(utc_us) AS utc_us
FROM (SELECT boot, channel, mono_us, utc_us FROM sample
      UNION ALL SELECT boot, channel, mono_us, utc_us FROM minute)
GROUP BY boot, channel, hour, off;
INSERT INTO stretch SELECT rowid, boot, channel, mono_us, utc_us FROM moved;
CREATE INDEX moved_key ON moved (boot, channel, hour, off);

DROP VIEW sample_view;
ALTER TABLE sample RENAME TO sample_before;
CREATE TABLE sample (
    id                        INTEGER PRIMARY KEY,
    activity                  INTEGER NOT NULL,
    readings                  INTEGER NOT NULL,
    volts_uv                  INTEGER,
    amps_ua                   INTEGER,
    watts_uw                  INTEGER,
    setpoint_uv               INTEGER,
    irradiance_mw_m2          INTEGER,
    module_temperature_mdegc  INTEGER,
    crest_uw                  INTEGER
) STRICT;
INSERT OR IGNORE INTO sample
SELECT m.rowid * 4194304 + (s.mono_us - m.mono_us) / 1000, s.activity, s.readings, s.volts_uv,
       s.amps_ua, s.watts_uw, s.setpoint_uv, s.irradiance_mw_m2, s.module_temperature_mdegc,
       s.crest_uw
FROM sample_before AS s
JOIN moved AS m ON m.boot = s.boot AND m.channel = s.channel AND m.hour = s.mono_us / 3600000000
     AND m.off = (s.utc_us - s.mono_us) / 1000000
ORDER BY 1;
DROP TABLE sample_before;

-- id: stretch * 8192 + seconds since then. closing: (seconds from the start of the minute to its
-- closing - 60) * 16 + activity. fewer: how many values less than of volts, 16 bits each for amps,
-- watts, irradiance, temperature. Means in uV, uA, uW, mW/m2, mdegC. How far least and largest lie
-- below and above the mean: in 100 uV, 100 uA, mW, 10 mW/m2, 10 mdegC; deviations in 10 uV, 10 uA,
-- 100 uW, 10 mW/m2, 10 mdegC: far below what the instruments resolve. excess_uwh: energy beyond mean
-- power times the time covered. short: what the minute lacks of 60000 ms covered, + 2^22 * ms missing.
DROP VIEW minute_view;
ALTER TABLE minute RENAME TO minute_before;
CREATE TABLE minute (
    id          INTEGER PRIMARY KEY,
    closing     INTEGER NOT NULL,
    volts_count INTEGER NOT NULL,
    fewer       INTEGER NOT NULL,
    volts_uv INTEGER, volts_below INTEGER, volts_above INTEGER, volts_deviation INTEGER,
    amps_ua INTEGER, amps_below INTEGER, amps_above INTEGER, amps_deviation INTEGER,
    watts_uw INTEGER, watts_below INTEGER, watts_above INTEGER, watts_deviation INTEGER,
    irradiance_mw_m2 INTEGER, irradiance_below INTEGER, irradiance_above INTEGER,
    irradiance_deviation INTEGER,
    module_temperature_mdegc INTEGER, module_temperature_below INTEGER,
    module_temperature_above INTEGER, module_temperature_deviation INTEGER,
    excess_uwh  INTEGER,
    short       INTEGER NOT NULL
) STRICT;
INSERT OR IGNORE INTO minute
SELECT m.rowid * 8192 + (s.mono_us - m.mono_us) / 1000000,
       (m.utc_us / 1000000 + (s.mono_us - m.mono_us) / 1000000 - s.start_utc_s - 60) * 16
           + s.activity,
       s.volts_count,
       (s.volts_count - s.amps_count) | (s.volts_count - s.watts_count) << 16
           | (s.volts_count - s.irradiance_count) << 32
           | (s.volts_count - s.module_temperature_count) << 48,
       round(s.volts_mean * 1e6), round((s.volts_mean - s.volts_min) * 1e4),
       round((s.volts_max - s.volts_mean) * 1e4), round(s.volts_deviation * 1e5),
       round(s.amps_mean * 1e6), round((s.amps_mean - s.amps_min) * 1e4),
       round((s.amps_max - s.amps_mean) * 1e4), round(s.amps_deviation * 1e5),
       round(s.watts_mean * 1e6), round((s.watts_mean - s.watts_min) * 1e3),
       round((s.watts_max - s.watts_mean) * 1e3), round(s.watts_deviation * 1e4),
       round(s.irradiance_mean * 1e3), round((s.irradiance_mean - s.irradiance_min) * 1e2),
       round((s.irradiance_max - s.irradiance_mean) * 1e2), round(s.irradiance_deviation * 1e2),
       round(s.module_temperature_mean * 1e3),
       round((s.module_temperature_mean - s.module_temperature_min) * 1e2),
       round((s.module_temperature_max - s.module_temperature_mean) * 1e2),
       round(s.module_temperature_deviation * 1e2),
       CAST(round(s.energy_wh * 1e6) AS INTEGER) - coalesce(CAST(round(s.watts_mean * 1e6) AS INTEGER)
           * CAST(round(s.covered_s * 1e3) AS INTEGER) / 3600000, 0),
       60000 - CAST(round(s.covered_s * 1e3) AS INTEGER)
           + CAST(round(s.missing_s * 1e3) AS INTEGER) * 4194304
FROM minute_before AS s
JOIN moved AS m ON m.boot = s.boot AND m.channel = s.channel AND m.hour = s.mono_us / 3600000000
     AND m.off = (s.utc_us - s.mono_us) / 1000000
ORDER BY 1;
DROP TABLE minute_before;
DROP TABLE moved;

CREATE VIEW sample_view AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', (t.utc_us + s.id % 4194304 * 1000) / 1e6, 'unixepoch')
           AS time,
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
       t.boot,
       t.mono_us + s.id % 4194304 * 1000 AS mono_us
FROM sample AS s
LEFT JOIN stretch AS t ON t.id = s.id / 4194304
LEFT JOIN channel AS c ON c.id = t.channel
LEFT JOIN activity AS a ON a.code = s.activity;

-- The inner query unfolds short, whose first part lies within 2^21 and may be negative.
CREATE VIEW minute_view AS
SELECT strftime('%Y-%m-%dT%H:%M:%SZ', (t.utc_us + m.id % 8192 * 1000000) / 1000000
                - 60 - (m.closing >> 4), 'unixepoch') AS time,
       c.name AS channel,
       a.word AS activity,
       m.volts_uv / 1e6 AS volts_mean,
       (m.volts_uv - 100 * m.volts_below) / 1e6 AS volts_min,
       (m.volts_uv + 100 * m.volts_above) / 1e6 AS volts_max,
       m.volts_deviation / 1e5 AS volts_deviation,
       m.volts_count,
       m.amps_ua / 1e6 AS amps_mean,
       (m.amps_ua - 100 * m.amps_below) / 1e6 AS amps_min,
       (m.amps_ua + 100 * m.amps_above) / 1e6 AS amps_max,
       m.amps_deviation / 1e5 AS amps_deviation,
       m.volts_count - (m.fewer & 65535) AS amps_count,
       m.watts_uw / 1e6 AS watts_mean,
       (m.watts_uw - 1000 * m.watts_below) / 1e6 AS watts_min,
       (m.watts_uw + 1000 * m.watts_above) / 1e6 AS watts_max,
       m.watts_deviation / 1e4 AS watts_deviation,
       m.volts_count - (m.fewer >> 16 & 65535) AS watts_count,
       m.irradiance_mw_m2 / 1e3 AS irradiance_mean,
       (m.irradiance_mw_m2 - 10 * m.irradiance_below) / 1e3 AS irradiance_min,
       (m.irradiance_mw_m2 + 10 * m.irradiance_above) / 1e3 AS irradiance_max,
       m.irradiance_deviation / 1e2 AS irradiance_deviation,
       m.volts_count - (m.fewer >> 32 & 65535) AS irradiance_count,
       m.module_temperature_mdegc / 1e3 AS module_temperature_mean,
       (m.module_temperature_mdegc - 10 * m.module_temperature_below) / 1e3
           AS module_temperature_min,
       (m.module_temperature_mdegc + 10 * m.module_temperature_above) / 1e3
           AS module_temperature_max,
       m.module_temperature_deviation / 1e2 AS module_temperature_deviation,
       m.volts_count - (m.fewer >> 48 & 65535) AS module_temperature_count,
       (m.excess_uwh + coalesce(m.watts_uw * m.covered_ms / 3600000, 0)) / 1e6 AS energy_wh,
       m.covered_ms / 1e3 AS covered_s,
       m.missing_ms / 1e3 AS missing_s,
       t.boot
FROM (SELECT *, 60000 - ((short + 2097152 & 4194303) - 2097152) AS covered_ms,
             short + 2097152 >> 22 AS missing_ms FROM minute) AS m
LEFT JOIN stretch AS t ON t.id = m.id / 8192
LEFT JOIN channel AS c ON c.id = t.channel
LEFT JOIN activity AS a ON a.code = m.closing & 15;
