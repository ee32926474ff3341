//! The log's self-description: symbol, unit and meaning of every column of every table and view.
//!
//! Symbols follow IEC 61724-1 and IEC 60904 where these have one (P, V, I, G_poa, T_mod; from
//! memory); `-` marks a column that is no quantity. Rejected: only a page of documentation, because
//! a log outlives the page.

use std::borrow::Cow;

/// One row of the table `quantity`.
#[derive(Clone, Debug)]
pub(super) struct Quantity {
    pub(super) table: &'static str,
    pub(super) column: Cow<'static, str>,
    pub(super) symbol: Cow<'static, str>,
    pub(super) unit: &'static str,
    pub(super) meaning: Cow<'static, str>,
}

type Fixed = (&'static str, &'static str, &'static str, &'static str, &'static str);

/// A column that is no quantity.
const fn plain(table: &'static str, column: &'static str, meaning: &'static str) -> Fixed {
    (table, column, "-", "-", meaning)
}

const MONO: &str = "monotonic clock since the start of the boot; orders records";
const UTC: &str = "wall clock, microseconds since 1970-01-01T00:00:00Z";
const BOOT: &str = "the start of the program it belongs to: boot.number";
const CHANNEL: &str = "channel.id";
const NAME: &str = "channel name";
const WORD: &str = "what the channel was doing, in words";
const ISO: &str = "UTC, ISO 8601";
const ROW_NUMBER: &str = "stretch.id * 4194304 + milliseconds since the stretch began";
const ENERGY: &str = "energy delivered by the device";
const AVAILABLE: &str = "energy an ideal tracker would have had; only on the simulated plant";
const IRRADIATION: &str = "irradiation while the sensor was fresh";
const COVERED: &str = "time covered by the energy integral";
const SENSOR_NAME: &str = "sensor name";
const SENSOR_QUANTITY: &str = "what the sensor measures";
const SENSOR_UNIT: &str = "unit of the sensor's values";
const CURVE: &str = "number of the curve within boot and channel, from 1";
const POINT: &str = "its place in the curve, in the order of taking, from 0: open circuit";
const DIRECTION: &str = "down: open circuit to short circuit; up; both: down, then up";
const ENDING: &str = "whole, or what broke it off: let go, link lost, dark, stopped";
const MISSED: &str =
    "crest power before and after, their mean, for its time, less what it delivered";
const MISSING: &str = "time missing from the integral while the channel was awake";

const FIXED: &[Fixed] = &[
    plain("activity", "code", "code used in other tables"),
    plain("activity", "word", "what the channel was doing, in words"),
    plain("quantity", "table_name", "table or view"),
    plain("quantity", "column_name", "column of it"),
    plain("quantity", "symbol", "symbol of the quantity; - where the column is no quantity"),
    plain("quantity", "unit", "unit of the stored number; - where the column is no quantity"),
    plain("quantity", "meaning", "what the column holds"),
    plain("boot", "number", "counts the starts of the program on this log, from 1"),
    ("boot", "began_utc_us", "t", "us", UTC),
    plain("boot", "version", "version of the program"),
    plain("boot", "station", "name of the station"),
    plain("boot", "fingerprint", "tells one station file from another"),
    plain("boot", "seed", "seed of the simulated plant, decimal; NULL in the field"),
    plain("boot", "note", "whatever the operator wanted to say about this run"),
    plain("channel", "id", "number of the channel in this log; the same for ever"),
    plain("channel", "name", NAME),
    plain("channel", "device", "kind of device on the channel, newest"),
    plain("channel", "tracker", "tracker on the channel, newest"),
    plain("clock", "boot", BOOT),
    ("clock", "mono_us", "t", "us", "monotonic clock from which on the pair holds"),
    ("clock", "utc_us", "t", "us", "wall clock at the same moment"),
    plain("file", "only", "0: there is one row"),
    plain("file", "generation", "number of the last packing of the -tail file"),
    plain("file", "month", "month (UTC) that this file was begun in"),
    plain("stretch", "id", "number of the stretch"),
    plain("stretch", "boot", BOOT),
    plain("stretch", "channel", CHANNEL),
    ("stretch", "mono_us", "t", "us", "monotonic clock when it began"),
    ("stretch", "utc_us", "t", "us", "wall clock when it began"),
    ("sample", "id", "t", "ms", ROW_NUMBER),
    plain("sample", "activity", "activity.code"),
    ("sample", "readings", "n", "1", "how many readings the means are over"),
    ("sample", "volts_uv", "V", "uV", "mean device voltage; NULL where it was no number"),
    ("sample", "amps_ua", "I", "uA", "mean device current, positive when delivered"),
    ("sample", "watts_uw", "P", "uW", "mean device power (mean of products)"),
    ("sample", "setpoint_uv", "V_set", "uV", "device voltage last asked for; NULL: input off"),
    ("sample", "irradiance_mw_m2", "G_poa", "mW/m2", "mean irradiance; NULL: not fresh"),
    ("sample", "module_temperature_mdegc", "T_mod", "mdegC", "back of module; NULL: not fresh"),
    ("sample", "crest_uw", "P_mp", "uW", "exact power at the crest; only on the simulated plant"),
    ("sample_view", "time", "t", "ISO 8601", ISO),
    plain("sample_view", "channel", NAME),
    plain("sample_view", "activity", WORD),
    ("sample_view", "readings", "n", "1", "how many readings the means are over"),
    ("sample_view", "volts", "V", "V", "mean device voltage"),
    ("sample_view", "amps", "I", "A", "mean device current, positive when delivered"),
    ("sample_view", "watts", "P", "W", "mean device power (mean of products)"),
    ("sample_view", "setpoint", "V_set", "V", "device voltage last asked for; NULL: input off"),
    ("sample_view", "irradiance", "G_poa", "W/m2", "mean irradiance; NULL: not fresh"),
    ("sample_view", "module_temperature", "T_mod", "degC", "back of module; NULL: not fresh"),
    ("sample_view", "crest_watts", "P_mp", "W", "exact power at the crest; only simulated"),
    plain("sample_view", "boot", BOOT),
    ("sample_view", "mono_us", "t", "us", MONO),
    ("minute", "id", "t", "s", "stretch.id * 8192 + seconds from there to the closing"),
    plain("minute", "closing", "(s from the minute's start to the closing - 60) * 16 + activity"),
    ("minute", "volts_count", "n", "1", "number of values of the minute"),
    plain("minute", "fewer", "values fewer than of volts, 16 bits each: A, W, W/m2, degC"),
    ("minute", "excess_uwh", "E", "uWh", "energy less mean power times covered time"),
    plain("minute", "short", "60000 - ms covered by the energy integral + 2^22 * ms missing"),
    ("minute_view", "time", "t", "ISO 8601", "start of the UTC minute"),
    plain("minute_view", "channel", NAME),
    plain("minute_view", "activity", WORD),
    plain("minute_view", "boot", BOOT),
    plain("day", "channel", CHANNEL),
    plain("day", "boot", BOOT),
    ("day", "date", "t", "ISO 8601", "date: of UTC, or as boot.day_ahead_us says"),
    plain("day", "part", "counts from 0 when a boot has several books of one date"),
    (
        "day",
        "began_mono_us",
        "t",
        "us",
        "monotonic clock when the book was begun; what it is known by",
    ),
    ("day", "mono_us", "t", "us", "monotonic clock when the totals were taken"),
    ("day", "utc_us", "t", "us", "wall clock when the totals were taken"),
    ("day_total", "date", "t", "ISO 8601", "date: of UTC, or as boot.day_ahead_us says"),
    plain("day_total", "channel", NAME),
    (
        "day_total",
        "completeness",
        "-",
        "1",
        "share of the awake time that is covered, 0..1; time while no program ran is unknown to it",
    ),
    ("day_total", "boots", "n", "1", "how many boots the day is made of"),
    ("boot", "day_ahead_us", "t", "us", "what the time that days are counted by is ahead of UTC"),
    plain("correction", "boot", BOOT),
    (
        "correction",
        "from_mono_us",
        "t",
        "us",
        "monotonic clock from which the wall clock was wrong",
    ),
    ("correction", "until_mono_us", "t", "us", "monotonic clock when it was set"),
    ("correction", "shift_us", "t", "us", "by how much labels of that span were moved since"),
    plain("event", "id", "order of writing"),
    plain("event", "boot", BOOT),
    ("event", "mono_us", "t", "us", MONO),
    ("event", "utc_us", "t", "us", UTC),
    plain("event", "channel", "channel.id; NULL for the station itself"),
    plain("event", "severity", "note, warning or alarm"),
    plain("event", "code", "short stable code, for filters"),
    plain("event", "text", "what happened, a sentence"),
    plain("event", "detail", "its numbers as JSON, or free text"),
    ("event_view", "time", "t", "ISO 8601", ISO),
    plain("event_view", "channel", NAME),
    plain("event_view", "severity", "note, warning or alarm"),
    plain("event_view", "code", "short stable code, for filters"),
    plain("event_view", "text", "what happened, a sentence"),
    plain("event_view", "detail", "its numbers as JSON, or free text"),
    plain("event_view", "boot", BOOT),
    plain("sensor", "id", "number of the sensor in this log; the same for ever"),
    plain("sensor", "name", SENSOR_NAME),
    plain("sensor", "quantity", SENSOR_QUANTITY),
    plain("sensor", "unit", SENSOR_UNIT),
    plain("sensor", "channels", "names of the channels it serves, newest; empty: only recorded"),
    plain("sensor", "rank", "place in the order of trust, 1 first"),
    plain("sensor", "link", "where its raw numbers come from, in words"),
    plain("sensor", "conversion", "what its raw number means, in words"),
    plain("sensor", "calibration", "date, uncertainty (k = 2), temperature coefficient, in words"),
    plain("sensor_minute", "sensor", "sensor.id"),
    plain("sensor_minute", "boot", BOOT),
    ("sensor_minute", "start_utc_s", "t", "s", "start of the UTC minute, since 1970-01-01"),
    ("sensor_minute", "mono_us", "t", "us", "monotonic clock when the record was closed"),
    ("sensor_minute", "utc_us", "t", "us", "wall clock when the record was closed"),
    ("sensor_minute_view", "time", "t", "ISO 8601", "start of the UTC minute"),
    plain("sensor_minute_view", "sensor", SENSOR_NAME),
    plain("sensor_minute_view", "quantity", SENSOR_QUANTITY),
    plain("sensor_minute_view", "unit", SENSOR_UNIT),
    plain("sensor_minute_view", "boot", BOOT),
    plain("curve", "boot", BOOT),
    plain("curve", "channel", CHANNEL),
    plain("curve", "curve", CURVE),
    ("curve", "began_mono_us", "t", "us", "monotonic clock when the curve began"),
    ("curve", "began_utc_us", "t", "us", "wall clock when the curve began"),
    ("curve", "mono_us", "t", "us", "monotonic clock when the curve ended"),
    ("curve", "utc_us", "t", "us", "wall clock when the curve ended"),
    ("curve", "points", "n", "1", "how many points were taken"),
    plain("curve", "direction", DIRECTION),
    plain("curve", "ending", ENDING),
    ("curve", "missed_wh", "E", "Wh", MISSED),
    plain("curve_result", "boot", BOOT),
    plain("curve_result", "channel", CHANNEL),
    plain("curve_result", "curve", CURVE),
    ("curve_view", "time", "t", "ISO 8601", "when the curve began, UTC"),
    plain("curve_view", "channel", NAME),
    plain("curve_view", "curve", CURVE),
    plain("curve_view", "direction", DIRECTION),
    plain("curve_view", "ending", ENDING),
    ("curve_view", "points", "n", "1", "how many points were taken"),
    ("curve_view", "took_s", "t", "s", "how long it took"),
    ("curve_view", "missed_wh", "E", "Wh", MISSED),
    plain("curve_view", "whole", "1: ended whole and all points are in the log; else 0"),
    plain("curve_view", "boot", BOOT),
    plain("curve_point", "boot", BOOT),
    plain("curve_point", "channel", CHANNEL),
    plain("curve_point", "curve", CURVE),
    plain("curve_point", "point", POINT),
    (
        "curve_point",
        "mono_us",
        "t",
        "us",
        "monotonic clock in the middle of the measurement window",
    ),
    ("curve_point", "utc_us", "t", "us", UTC),
    ("curve_point", "volts_uv", "V", "uV", "device voltage"),
    ("curve_point", "amps_ua", "I", "uA", "device current, positive when delivered"),
    ("curve_point", "setpoint_uv", "V_set", "uV", "device voltage asked for"),
    ("curve_point", "irradiance_mw_m2", "G_poa", "mW/m2", "irradiance; NULL: not fresh"),
    (
        "curve_point",
        "module_temperature_mdegc",
        "T_mod",
        "mdegC",
        "back of module; NULL: not fresh",
    ),
    ("curve_point_view", "time", "t", "ISO 8601", ISO),
    plain("curve_point_view", "channel", NAME),
    plain("curve_point_view", "curve", CURVE),
    plain("curve_point_view", "point", POINT),
    ("curve_point_view", "volts", "V", "V", "device voltage"),
    ("curve_point_view", "amps", "I", "A", "device current, positive when delivered"),
    ("curve_point_view", "setpoint", "V_set", "V", "device voltage asked for"),
    ("curve_point_view", "irradiance", "G_poa", "W/m2", "irradiance; NULL: not fresh"),
    ("curve_point_view", "module_temperature", "T_mod", "degC", "back of module; NULL: not fresh"),
    plain("curve_point_view", "ending", "why the curve ended; NULL: it never did"),
    plain("curve_point_view", "boot", BOOT),
    ("curve_point_view", "mono_us", "t", "us", "monotonic clock in the middle of the window"),
];

/// Columns that two tables share: (column, symbol, unit, meaning).
const OF_MINUTES: [(&str, &str, &str, &str); 3] = [
    ("energy_wh", "E", "Wh", ENERGY),
    ("covered_s", "t", "s", COVERED),
    ("missing_s", "t", "s", MISSING),
];
const VOC_ORIGIN: &str = "measured, interpolated, extrapolated (also by no more than the zero of an \
    ammeter that is a little high at open circuit) or out of reach";
/// What a curve says: of `curve_result` and of the view.
const OF_RESULTS: [(&str, &str, &str, &str); 27] = [
    ("grade", "-", "-", "good, fair or poor; NULL: not whole"),
    ("reasons", "-", "-", "why it is not good"),
    ("isc_a", "Isc", "A", "short-circuit current, at the mean irradiance"),
    ("isc_origin", "-", "-", "measured, interpolated, extrapolated or out of reach"),
    ("voc_v", "Voc", "V", "open-circuit voltage, at the mean irradiance"),
    ("pmp_w", "Pmp", "W", "power at the crest, at the mean irradiance"),
    ("vmp_v", "Vmp", "V", "voltage at the crest"),
    ("imp_a", "Imp", "A", "current at the crest"),
    ("ff", "FF", "1", "fill factor"),
    ("irradiance", "G_poa", "W/m2", "mean irradiance of its points"),
    ("module_temperature", "T_mod", "degC", "mean back-of-module temperature of its points"),
    ("voc_origin", "-", "-", VOC_ORIGIN),
    ("efficiency", "eta", "1", "Pmp over area and mean irradiance; NULL: no area stated"),
    ("isc_expanded_a", "U_Isc", "A", EXPANDED),
    ("isc_k", "k", "1", FACTOR),
    ("voc_expanded_v", "U_Voc", "V", EXPANDED),
    ("voc_k", "k", "1", FACTOR),
    ("pmp_expanded_w", "U_Pmp", "W", EXPANDED),
    ("pmp_k", "k", "1", FACTOR),
    ("vmp_expanded_v", "U_Vmp", "V", EXPANDED),
    ("vmp_k", "k", "1", FACTOR),
    ("imp_expanded_a", "U_Imp", "A", EXPANDED),
    ("imp_k", "k", "1", FACTOR),
    ("ff_expanded", "U_FF", "1", EXPANDED),
    ("ff_k", "k", "1", FACTOR),
    ("efficiency_expanded", "U_eta", "1", EXPANDED),
    ("efficiency_k", "k", "1", FACTOR),
];
const EXPANDED: &str = "expanded uncertainty U = k u, holds 95 %; NULL: nothing stated";
const FACTOR: &str = "coverage factor k of the expanded uncertainty before it";
/// What a station states of its instruments.
const OF_STATED: [(&str, &str); 7] = [
    ("boot", BOOT),
    ("channel", "channel.id; in the view its name"),
    ("input", "what is uncertain"),
    ("known", "how: limits, expanded (U with k), standard (u); value: no error, a number"),
    ("value", "the number, in the input's unit"),
    ("coverage", "coverage factor k where it is expanded, else NULL"),
    ("unit", "unit of the input"),
];
const OF_DAYS: [(&str, &str, &str, &str); 10] = [
    ("energy_wh", "E", "Wh", ENERGY),
    ("available_wh", "E_mp", "Wh", AVAILABLE),
    ("irradiation_wh_m2", "H_poa", "Wh/m2", IRRADIATION),
    ("peak_w", "P_max", "W", "largest power"),
    ("tracking_s", "t", "s", "time spent tracking"),
    ("sweeping_s", "t", "s", "time spent on I-V curves, away from the crest; its energy counts"),
    ("sweep_missed_wh", "E", "Wh", "energy missed by sweeping"),
    ("covered_s", "t", "s", COVERED),
    ("missing_s", "t", "s", "the same as of a minute, and daylight in which no run was there"),
    ("gaps", "n", "1", "how many gaps make up the missing time"),
];

/// The recorded quantities of a minute: (column, symbol, unit, words).
const SPREADS: [(&str, &str, &str, &str); 5] = [
    ("volts", "V", "V", "device voltage"),
    ("amps", "I", "A", "device current"),
    ("watts", "P", "W", "device power"),
    ("irradiance", "G_poa", "W/m2", "irradiance"),
    ("module_temperature", "T_mod", "degC", "back-of-module temperature"),
];
const STATISTICS: [(&str, &str); 5] = [
    ("mean", "mean"),
    ("min", "least value"),
    ("max", "largest value"),
    ("deviation", "standard deviation (n - 1)"),
    ("count", "number of values"),
];

/// How the table `minute` stores them: (column, mean's ending, symbol, units of mean, of the
/// distance of the extremes from it, of the deviation).
type Stored = (&'static str, &'static str, &'static str, [&'static str; 3]);
const STORED: [Stored; 5] = [
    ("volts", "uv", "V", ["uV", "100 uV", "10 uV"]),
    ("amps", "ua", "I", ["uA", "100 uA", "10 uA"]),
    ("watts", "uw", "P", ["uW", "mW", "100 uW"]),
    ("irradiance", "mw_m2", "G_poa", ["mW/m2", "10 mW/m2", "10 mW/m2"]),
    ("module_temperature", "mdegc", "T_mod", ["mdegC", "10 mdegC", "10 mdegC"]),
];

fn stored_spread(
    (column, ending, symbol, [fine, coarse, middle]): Stored,
    list: &mut Vec<Quantity>,
) {
    let mut add = |name: String, unit, meaning: &'static str| {
        let (column, symbol) = (name.into(), symbol.into());
        list.push(Quantity { table: "minute", column, symbol, unit, meaning: meaning.into() });
    };
    add(format!("{column}_{ending}"), fine, "mean of the minute");
    add(format!("{column}_below"), coarse, "least value of the minute: below the mean");
    add(format!("{column}_above"), coarse, "largest value of the minute: above the mean");
    add(format!("{column}_deviation"), middle, "standard deviation (n - 1)");
}

/// Every column of the schema, once.
pub(super) fn all() -> Vec<Quantity> {
    let mut list: Vec<Quantity> = FIXED.iter().copied().map(fixed).collect();
    let of = |(column, s, unit, text)| fixed(("minute_view", column, s, unit, text));
    list.extend(OF_MINUTES.map(of));
    for (column, symbol, unit, words) in SPREADS {
        list.extend(STATISTICS.map(|(key, statistic)| Quantity {
            table: "minute_view",
            column: format!("{column}_{key}").into(),
            symbol: if key == "count" { "n".into() } else { format!("{symbol}_{key}").into() },
            unit: if key == "count" { "1" } else { unit },
            meaning: format!("{words}: {statistic} of the minute").into(),
        }));
    }
    for stored in STORED {
        stored_spread(stored, &mut list);
    }
    for table in ["sensor_minute", "sensor_minute_view"] {
        for (key, statistic) in STATISTICS {
            let unit = if key == "count" { "1" } else { "sensor.unit" };
            list.push(Quantity {
                table,
                column: key.into(),
                symbol: if key == "count" { "n".into() } else { "-".into() },
                unit,
                meaning: format!("{statistic} of the sensor's valid values").into(),
            });
        }
        let text = "number of values that the sensor's period asks for in the time covered";
        list.push(fixed((table, "wanted", "n", "1", text)));
    }
    for table in ["curve_result", "curve_view"] {
        let of = |(column, s, unit, text)| fixed((table, column, s, unit, text));
        list.extend(OF_RESULTS.map(of));
    }
    for table in ["day", "day_total"] {
        list.extend(OF_DAYS.map(|(column, s, unit, text)| fixed((table, column, s, unit, text))));
    }
    for table in ["stated", "stated_view"] {
        list.extend(OF_STATED.map(|(column, text)| fixed(plain(table, column, text))));
    }
    list
}

fn fixed((table, column, symbol, unit, meaning): Fixed) -> Quantity {
    Quantity { table, column: column.into(), symbol: symbol.into(), unit, meaning: meaning.into() }
}
