-- What a curve has cost.
ALTER TABLE curve ADD COLUMN missed_wh REAL;
ALTER TABLE day ADD COLUMN sweep_missed_wh REAL NOT NULL DEFAULT 0.0;

-- What a whole curve says, moved to its mean irradiance; written beside it. A later program may read
-- more out of the points.
CREATE TABLE curve_result (
    boot               INTEGER NOT NULL,
    channel            INTEGER NOT NULL,
    curve              INTEGER NOT NULL,
    grade              TEXT NOT NULL,
    reasons            TEXT NOT NULL,
    isc_a              REAL,
    isc_origin         TEXT,
    voc_v              REAL,
    pmp_w              REAL,
    vmp_v              REAL,
    imp_a              REAL,
    ff                 REAL,
    irradiance         REAL,
    module_temperature REAL,
    PRIMARY KEY (boot, channel, curve)
) STRICT, WITHOUT ROWID;

DROP VIEW curve_view;
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
       k.missed_wh,
       r.grade, r.reasons, r.isc_a, r.isc_origin, r.voc_v, r.pmp_w, r.vmp_v, r.imp_a, r.ff,
       r.irradiance, r.module_temperature,
       k.boot
FROM curve AS k
LEFT JOIN curve_result AS r ON r.boot = k.boot AND r.channel = k.channel AND r.curve = k.curve
LEFT JOIN channel AS c ON c.id = k.channel;

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
       sum(d.sweep_missed_wh) AS sweep_missed_wh,
       sum(d.covered_s) AS covered_s,
       sum(d.missing_s) AS missing_s,
       sum(d.gaps) AS gaps,
       sum(d.covered_s) / nullif(sum(d.covered_s) + sum(d.missing_s), 0.0) AS completeness,
       count(DISTINCT d.boot) AS boots
FROM day AS d
LEFT JOIN channel AS c ON c.id = d.channel
GROUP BY d.channel, d.date;
