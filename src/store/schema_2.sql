-- One row per sensor name ever used; the newest words about it.
CREATE TABLE sensor (
    id          INTEGER PRIMARY KEY,
    name        TEXT NOT NULL UNIQUE,
    quantity    TEXT NOT NULL,
    unit        TEXT NOT NULL,
    channels    TEXT NOT NULL,
    rank        INTEGER NOT NULL,
    link        TEXT NOT NULL,
    conversion  TEXT NOT NULL,
    calibration TEXT NOT NULL
) STRICT;

-- mono_us is part of the key for the same reason as in minute.
CREATE TABLE sensor_minute (
    sensor      INTEGER NOT NULL REFERENCES sensor (id),
    boot        INTEGER NOT NULL REFERENCES boot (number),
    start_utc_s INTEGER NOT NULL,
    mono_us     INTEGER NOT NULL,
    utc_us      INTEGER NOT NULL,
    mean        REAL,
    min         REAL,
    max         REAL,
    deviation   REAL,
    count       INTEGER NOT NULL,
    wanted      INTEGER NOT NULL,
    PRIMARY KEY (sensor, boot, start_utc_s, mono_us)
) STRICT, WITHOUT ROWID;

CREATE VIEW sensor_minute_view AS
SELECT strftime('%Y-%m-%dT%H:%M:%SZ', m.start_utc_s, 'unixepoch') AS time,
       s.name AS sensor,
       s.quantity,
       s.unit,
       m.mean, m.min, m.max, m.deviation, m.count, m.wanted,
       m.boot
FROM sensor_minute AS m
LEFT JOIN sensor AS s ON s.id = m.sensor;
