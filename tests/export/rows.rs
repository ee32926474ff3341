//! What a table must hold, written out by hand from the reader's rows: names, units and order are
//! what users' scripts rely on.

use crate::store_common::EVER;
use cresthold::control::record::Spread;
use cresthold::export::Rows;
use cresthold::store::{CurveRow, Reader};
use cresthold::time::{Stamp, Utc};
use jiff::Timestamp;
use parquet::record::Field;

/// A value as it must come back.
#[derive(Clone, Debug)]
pub(crate) enum Cell {
    Nothing,
    Time(i64),
    Date(String),
    Number(f64),
    Whole(i64),
    Text(String),
    Truth(bool),
}

impl Cell {
    pub(crate) fn is_csv(&self, field: &str) -> bool {
        match self {
            Self::Nothing => field.is_empty(),
            Self::Time(at) => {
                field.parse::<Timestamp>().is_ok_and(|time| time.as_microsecond() == *at)
            }
            Self::Number(number) => field.parse() == Ok(*number),
            Self::Whole(number) => field.parse() == Ok(*number),
            Self::Date(text) | Self::Text(text) => field == text,
            Self::Truth(truth) => field.parse() == Ok(*truth),
        }
    }

    pub(crate) fn is_field(&self, field: &Field) -> bool {
        match (self, field) {
            (Self::Nothing, Field::Null) => true,
            (Self::Time(at), Field::TimestampMicros(got)) => at == got,
            (Self::Date(text), Field::Date(days)) => {
                let date = Timestamp::from_second(i64::from(*days) * 86_400).unwrap();
                date.to_string().starts_with(text)
            }
            (Self::Number(number), Field::Double(got)) => number == got,
            (Self::Whole(number), Field::Long(got)) => number == got,
            (Self::Text(text), Field::Str(got)) => text == got,
            (Self::Truth(truth), Field::Bool(got)) => truth == got,
            _ => false,
        }
    }
}

fn time(at: Utc) -> Cell {
    Cell::Time(at.as_micros())
}

fn number(number: impl Into<Option<f64>>) -> Cell {
    number.into().filter(|number: &f64| number.is_finite()).map_or(Cell::Nothing, Cell::Number)
}

fn text(text: &str) -> Cell {
    Cell::Text(text.to_owned())
}

fn maybe(text: Option<&str>) -> Cell {
    text.map_or(Cell::Nothing, |text| Cell::Text(text.to_owned()))
}

fn count(number: u32) -> Cell {
    Cell::Whole(i64::from(number))
}

fn since_boot(at: Stamp) -> Cell {
    // The log keeps whole microseconds: the nearest number to them.
    format!("{}e-6", at.mono.as_nanos() / 1000).parse().map(Cell::Number).unwrap()
}

fn spread(values: Spread) -> [Cell; 5] {
    let known = |value: f64| if values.count == 0 { Cell::Nothing } else { number(value) };
    [
        known(values.mean),
        known(values.min),
        known(values.max),
        known(values.deviation),
        count(values.count),
    ]
}

type Table = (Vec<String>, Vec<Vec<Cell>>);

/// Header and rows.
pub(crate) fn expected(reader: &Reader, kind: Rows) -> Table {
    let (header, rows) = match kind {
        Rows::Samples => samples(reader),
        Rows::Minutes => minutes(reader),
        Rows::Days => days(reader),
        Rows::Events => events(reader),
        Rows::Curves => curves(reader),
        Rows::Points => points(reader),
        Rows::Sensors => sensors(reader),
    };
    (header.split(',').map(str::to_owned).collect(), rows)
}

fn samples(reader: &Reader) -> (String, Vec<Vec<Cell>>) {
    let header = "time (UTC),channel,activity,voltage (V),current (A),power (W),setpoint (V),\
                  irradiance (W/m2),module temperature (degC),crest power (W),readings,boot,\
                  since boot (s)";
    let mut rows = Vec::new();
    for channel in reader.channels().unwrap() {
        let mut samples = reader.samples(channel.id, EVER.0, EVER.1).unwrap();
        samples.sort_by_key(|row| row.at.utc);
        rows.extend(samples.into_iter().map(|row| {
            vec![
                time(row.at.utc),
                text(&channel.name),
                text(row.activity.word()),
                number(row.volts.map(|it| it.0)),
                number(row.amps.map(|it| it.0)),
                number(row.watts.map(|it| it.0)),
                number(row.setpoint.map(|it| it.0)),
                number(row.irradiance.map(|it| it.0)),
                number(row.module_temperature.map(|it| it.0)),
                number(row.crest.map(|it| it.0)),
                count(row.readings),
                Cell::Whole(row.boot),
                since_boot(row.at),
            ]
        }));
    }
    (header.to_owned(), rows)
}

fn minutes(reader: &Reader) -> (String, Vec<Vec<Cell>>) {
    let mut header = "time (UTC),channel,activity,energy (Wh),covered (s),missing (s)".to_owned();
    for (name, unit) in [
        ("voltage", "V"),
        ("current", "A"),
        ("power", "W"),
        ("irradiance", "W/m2"),
        ("module temperature", "degC"),
    ] {
        for part in ["mean", "least", "largest", "deviation"] {
            header += &format!(",{name} {part} ({unit})");
        }
        header += &format!(",{name} values");
    }
    header += ",boot";
    let mut rows = Vec::new();
    for channel in reader.channels().unwrap() {
        for row in reader.minutes(channel.id, EVER.0, EVER.1).unwrap() {
            let mut cells = vec![
                time(row.start),
                text(&channel.name),
                text(row.activity.word()),
                number(row.energy.0),
                number(row.covered.as_secs_f64()),
                number(row.missing.as_secs_f64()),
            ];
            for quantity in [row.volts, row.amps, row.watts, row.irradiance, row.module_temperature]
            {
                cells.extend(spread(quantity));
            }
            cells.push(Cell::Whole(row.boot));
            rows.push(cells);
        }
    }
    (header, rows)
}

fn days(reader: &Reader) -> (String, Vec<Vec<Cell>>) {
    let header = "date (UTC),channel,energy (Wh),available energy (Wh),irradiation (Wh/m2),\
                  largest power (W),tracking (s),sweeping (s),missed by sweeping (Wh),covered (s),\
                  missing (s),gaps,completeness (1),boots";
    let mut all = reader.day_totals("0000-01-01", "9999-12-31").unwrap();
    all.sort_by(|a, b| (&a.channel, &a.date).cmp(&(&b.channel, &b.date)));
    let rows = all.into_iter().map(|row| {
        vec![
            Cell::Date(row.date),
            text(&row.channel),
            number(row.energy.0),
            number(row.available.map(|it| it.0)),
            number(row.irradiation.0),
            number(row.peak.0),
            number(row.tracking.as_secs_f64()),
            number(row.sweeping.as_secs_f64()),
            number(row.sweep_missed.0),
            number(row.covered.as_secs_f64()),
            number(row.missing.as_secs_f64()),
            count(row.gaps),
            number(row.completeness),
            count(row.boots),
        ]
    });
    (header.to_owned(), rows.collect())
}

fn events(reader: &Reader) -> (String, Vec<Vec<Cell>>) {
    let header = "time (UTC),channel,severity,code,text,detail,boot,since boot (s)";
    let channels = reader.channels().unwrap();
    let mut all = reader.events(EVER.0, EVER.1).unwrap();
    all.sort_by_key(|row| row.at.utc);
    let rows = all.into_iter().map(|row| {
        let channel = channels.iter().find(|channel| Some(channel.id) == row.channel);
        vec![
            time(row.at.utc),
            maybe(channel.map(|channel| channel.name.as_str())),
            text(&row.severity),
            text(&row.code),
            text(&row.text),
            maybe(row.detail.as_deref()),
            Cell::Whole(row.boot),
            since_boot(row.at),
        ]
    });
    (header.to_owned(), rows.collect())
}

fn curves(reader: &Reader) -> (String, Vec<Vec<Cell>>) {
    let mut header = "time (UTC),channel,curve,direction,ending,points,took (s),whole,\
                      missed energy (Wh),grade,reasons,mean irradiance (W/m2),\
                      mean module temperature (degC),Isc origin,Voc origin"
        .to_owned();
    for (name, unit) in [
        ("Isc", "A"),
        ("Voc", "V"),
        ("Pmp", "W"),
        ("Vmp", "V"),
        ("Imp", "A"),
        ("FF", "1"),
        ("efficiency", "1"),
    ] {
        header +=
            &format!(",{name} ({unit}),{name} uncertainty ({unit}),{name} coverage factor (1)");
    }
    header += ",boot";
    let mut rows = Vec::new();
    for channel in reader.channels().unwrap() {
        let all = reader.curves(channel.id, EVER.0, EVER.1).unwrap();
        rows.extend(all.iter().map(|row| curve(&channel.name, row)));
    }
    (header, rows)
}

fn curve(channel: &str, row: &CurveRow) -> Vec<Cell> {
    let took = row.at.mono.saturating_since(row.began.mono);
    let mut cells = vec![
        time(row.began.utc),
        text(channel),
        count(row.curve),
        text(&row.direction),
        text(&row.ending),
        count(row.points),
        number(took.as_secs_f64()),
        Cell::Truth(row.whole),
        number(row.missed.map(|it| it.0)),
    ];
    if let Some(it) = &row.result {
        cells.extend([
            text(&it.grade),
            text(&it.reasons),
            number(it.irradiance.map(|it| it.0)),
            number(it.module_temperature.map(|it| it.0)),
            maybe(it.isc_origin.as_deref()),
            maybe(it.voc_origin.as_deref()),
        ]);
        let figures = [
            it.isc.map(|it| it.0),
            it.voc.map(|it| it.0),
            it.pmp.map(|it| it.0),
            it.vmp.map(|it| it.0),
            it.imp.map(|it| it.0),
            it.ff,
            it.efficiency,
        ];
        for (figure, expanded) in figures.into_iter().zip(it.expanded) {
            cells.push(number(figure));
            cells.push(number(expanded.map(|it| it.value)));
            cells.push(number(expanded.map(|it| it.coverage)));
        }
    } else {
        cells.resize(9 + 6 + 21, Cell::Nothing);
    }
    cells.push(Cell::Whole(row.boot));
    cells
}

fn points(reader: &Reader) -> (String, Vec<Vec<Cell>>) {
    let header = "time (UTC),channel,curve,point,voltage (V),current (A),setpoint (V),\
                  irradiance (W/m2),module temperature (degC),boot,since boot (s)";
    let mut rows = Vec::new();
    for channel in reader.channels().unwrap() {
        let ended = reader.curves(channel.id, EVER.0, EVER.1).unwrap();
        let mut all: Vec<_> =
            ended.iter().map(|one| (one.began.utc, one.boot, one.curve)).collect();
        assert_eq!(all.len(), 4, "two a file");
        // The third of each file has no end.
        for boot in [all[0].1, all[2].1] {
            let points = reader.curve_points(channel.id, boot, 3).unwrap();
            all.push((points[0].at.utc, boot, 3));
        }
        all.sort_by_key(|one| one.0);
        for (_, boot, curve) in all {
            let all = reader.curve_points(channel.id, boot, curve).unwrap();
            rows.extend(all.into_iter().map(|row| {
                vec![
                    time(row.at.utc),
                    text(&channel.name),
                    count(curve),
                    count(row.point),
                    number(row.volts.map(|it| it.0)),
                    number(row.amps.map(|it| it.0)),
                    number(row.setpoint.map(|it| it.0)),
                    number(row.irradiance.map(|it| it.0)),
                    number(row.module_temperature.map(|it| it.0)),
                    Cell::Whole(boot),
                    since_boot(row.at),
                ]
            }));
        }
    }
    (header.to_owned(), rows)
}

fn sensors(reader: &Reader) -> (String, Vec<Vec<Cell>>) {
    let header = "time (UTC),sensor,quantity,unit,mean,least,largest,deviation,values,\
                  values wanted,boot";
    let mut rows = Vec::new();
    for sensor in reader.sensors().unwrap() {
        for row in reader.sensor_minutes(&sensor.name, EVER.0, EVER.1).unwrap() {
            let mut cells = vec![
                time(row.start),
                text(&sensor.name),
                text(&sensor.quantity),
                text(&sensor.unit),
            ];
            cells.extend(spread(row.values));
            cells.extend([count(row.wanted), Cell::Whole(row.boot)]);
            rows.push(cells);
        }
    }
    (header.to_owned(), rows)
}
