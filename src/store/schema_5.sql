-- What is known of the errors of each channel's instruments, as its station states them: what the
-- uncertainties beside a curve were made of, so that a later program can make them anew.
CREATE TABLE stated (
    boot     INTEGER NOT NULL,
    channel  INTEGER NOT NULL,
    input    TEXT NOT NULL,
    known    TEXT NOT NULL,
    value    REAL NOT NULL,
    coverage REAL,
    unit     TEXT NOT NULL,
    PRIMARY KEY (boot, channel, input, known)
) STRICT, WITHOUT ROWID;

CREATE VIEW stated_view AS
SELECT c.name AS channel, s.input, s.known, s.value, s.coverage, s.unit, s.boot
FROM stated AS s
LEFT JOIN channel AS c ON c.id = s.channel;

-- Expanded uncertainties and their coverage factors; NULL where the station states nothing.
ALTER TABLE curve_result ADD COLUMN voc_origin TEXT;
ALTER TABLE curve_result ADD COLUMN efficiency REAL;
ALTER TABLE curve_result ADD COLUMN isc_expanded_a REAL;
ALTER TABLE curve_result ADD COLUMN isc_k REAL;
ALTER TABLE curve_result ADD COLUMN voc_expanded_v REAL;
ALTER TABLE curve_result ADD COLUMN voc_k REAL;
ALTER TABLE curve_result ADD COLUMN pmp_expanded_w REAL;
ALTER TABLE curve_result ADD COLUMN pmp_k REAL;
ALTER TABLE curve_result ADD COLUMN vmp_expanded_v REAL;
ALTER TABLE curve_result ADD COLUMN vmp_k REAL;
ALTER TABLE curve_result ADD COLUMN imp_expanded_a REAL;
ALTER TABLE curve_result ADD COLUMN imp_k REAL;
ALTER TABLE curve_result ADD COLUMN ff_expanded REAL;
ALTER TABLE curve_result ADD COLUMN ff_k REAL;
ALTER TABLE curve_result ADD COLUMN efficiency_expanded REAL;
ALTER TABLE curve_result ADD COLUMN efficiency_k REAL;

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
       r.grade, r.reasons,
       r.isc_a, r.isc_expanded_a, r.isc_k, r.isc_origin,
       r.voc_v, r.voc_expanded_v, r.voc_k, r.voc_origin,
       r.pmp_w, r.pmp_expanded_w, r.pmp_k,
       r.vmp_v, r.vmp_expanded_v, r.vmp_k,
       r.imp_a, r.imp_expanded_a, r.imp_k,
       r.ff, r.ff_expanded, r.ff_k,
       r.efficiency, r.efficiency_expanded, r.efficiency_k,
       r.irradiance, r.module_temperature,
       k.boot
FROM curve AS k
LEFT JOIN curve_result AS r ON r.boot = k.boot AND r.channel = k.channel AND r.curve = k.curve
LEFT JOIN channel AS c ON c.id = k.channel;
