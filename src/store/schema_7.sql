-- A day's totals are known by when their book was begun; a step of the wall clock may rename their
-- date. NULL in rows of before.
ALTER TABLE day ADD COLUMN began_mono_us INTEGER;

-- What the time that the days of a boot are counted by is ahead of UTC: 0 where they end by UTC, 4 min
-- for each degree of longitude east where they end by the sun.
ALTER TABLE boot ADD COLUMN day_ahead_us INTEGER NOT NULL DEFAULT 0;

-- Spans of a boot whose wall clock was found to be wrong when it was set: labels of all rows in them
-- have been moved by shift_us since (a day's date to that on which the middle of its book's time lies). What the clock
-- said at the time is a row's time less shift_us. boot.began_utc_us stays what the clock said.
CREATE TABLE correction (
    boot          INTEGER NOT NULL REFERENCES boot (number),
    from_mono_us  INTEGER NOT NULL,
    until_mono_us INTEGER NOT NULL,
    shift_us      INTEGER NOT NULL,
    PRIMARY KEY (boot, from_mono_us, until_mono_us)
) STRICT, WITHOUT ROWID;
