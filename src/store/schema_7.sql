-- A day's totals are known by when their book was begun; a step of the wall clock may rename their
-- date. NULL in rows of before.
ALTER TABLE day ADD COLUMN began_mono_us INTEGER;

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
