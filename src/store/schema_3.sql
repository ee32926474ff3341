-- I-V curves. A curve's row is written when it ended; points without one belong to a curve that
-- never ended, as after a power cut.
CREATE TABLE curve (
    boot         INTEGER NOT NULL REFERENCES boot (number),
    channel      INTEGER NOT NULL REFERENCES channel (id),
    curve        INTEGER NOT NULL,
    began_mono_us INTEGER NOT NULL,
    began_utc_us INTEGER NOT NULL,
    mono_us      INTEGER NOT NULL,
    utc_us       INTEGER NOT NULL,
    points       INTEGER NOT NULL,
    direction    TEXT NOT NULL,
    ending       TEXT NOT NULL,
    PRIMARY KEY (boot, channel, curve)
) STRICT, WITHOUT ROWID;

-- No REFERENCES here, as in sample.
CREATE TABLE curve_point (
    boot                     INTEGER NOT NULL,
    channel                  INTEGER NOT NULL,
    curve                    INTEGER NOT NULL,
    point                    INTEGER NOT NULL,
    mono_us                  INTEGER NOT NULL,
    utc_us                   INTEGER NOT NULL,
    volts_uv                 INTEGER,
    amps_ua                  INTEGER,
    setpoint_uv              INTEGER,
    irradiance_mw_m2         INTEGER,
    module_temperature_mdegc INTEGER,
    PRIMARY KEY (boot, channel, curve, point)
) STRICT, WITHOUT ROWID;

-- whole: it ended whole, and all its points are here.
CREATE VIEW curve_view AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', k.began_utc_us / 1e6, 'unixepoch') AS time,
       c.name AS channel,
       k.curve,
       k.direction,
       k.ending,
       k.points,
       (k.mono_us - k.began_mono_us) / 1e6 AS took_s,
       k.ending = 'whole' AND k.points = (
           SELECT count(*) FROM curve_point AS p
           WHERE p.boot = k.boot AND p.channel = k.channel AND p.curve = k.curve
       ) AS whole,
       k.boot
FROM curve AS k
LEFT JOIN channel AS c ON c.id = k.channel;

-- ending is NULL where the curve never ended.
CREATE VIEW curve_point_view AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', p.utc_us / 1e6, 'unixepoch') AS time,
       c.name AS channel,
       p.curve,
       p.point,
       p.volts_uv / 1e6 AS volts,
       p.amps_ua / 1e6 AS amps,
       p.setpoint_uv / 1e6 AS setpoint,
       p.irradiance_mw_m2 / 1e3 AS irradiance,
       p.module_temperature_mdegc / 1e3 AS module_temperature,
       k.ending,
       p.boot,
       p.mono_us
FROM curve_point AS p
LEFT JOIN curve AS k ON k.boot = p.boot AND k.channel = p.channel AND k.curve = p.curve
LEFT JOIN channel AS c ON c.id = p.channel;

-- Time spent sweeping, beside the time spent tracking.
ALTER TABLE day ADD COLUMN sweeping_s REAL NOT NULL DEFAULT 0.0;

DROP VIEW day_total;
CREATE VIEW day_total AS
SELECT c.name AS channel,
       d.date,
       sum(d.energy_wh) AS energy_wh,
       CASE WHEN count(d.available_wh) = count(*) THEN sum(d.available_wh) END AS available_wh,
       sum(d.irradiation_wh_m2) AS irradiation_wh_m2,
       max(d.peak_w) AS peak_w,
       sum(d.tracking_s) AS tracking_s,
       sum(d.sweeping_s) AS sweeping_s,
       sum(d.covered_s) AS covered_s,
       sum(d.missing_s) AS missing_s,
       sum(d.gaps) AS gaps,
       sum(d.covered_s) / nullif(sum(d.covered_s) + sum(d.missing_s), 0.0) AS completeness,
       count(DISTINCT d.boot) AS boots
FROM day AS d
LEFT JOIN channel AS c ON c.id = d.channel
GROUP BY d.channel, d.date;
