//! What is known of a bench, as rows that a log or a file can carry.
//!
//! Model: a row names an input by the words of the budget, how its error is known, and the number.
//! [`Stated::rows`] leaves out what is zero; [`Stated::from_rows`] refuses what it doesn't know, so that
//! nothing stated is lost in silence.

use super::{COMMON, Inputs, Instrument, Spec};

/// What is known of a bench that took a curve: all that an uncertainty needs but the curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stated {
    /// The inputs' uncertainties.
    pub inputs: Inputs,
    /// How late the irradiance is (s).
    pub delay: f64,
    /// The device's area (m2), for the efficiency.
    pub area: Option<f64>,
}

/// One of the numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// The input, in words.
    pub input: String,
    /// How its error is known: `limits`, `expanded`, `standard`; `value` where the number is no error.
    pub known: String,
    /// The number, in the input's unit.
    pub value: f64,
    /// Coverage factor, where it is expanded.
    pub coverage: Option<f64>,
    /// The unit.
    pub unit: String,
}

/// A row that nobody knows.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "stated uncertainty: there is no input `{input}` that is known by `{known}`; a newer program may \
     have written it: update this one"
)]
pub struct UnknownRow {
    /// The input's words.
    pub input: String,
    /// How it is said to be known.
    pub known: String,
}

/// Words and unit of the numbers that are no common errors.
const NUMBERS: [(&str, &str, &str); 9] = [
    ("voltage, noise", "standard", "V"),
    ("voltage, resolution", "value", "V"),
    ("current, noise", "standard", "A"),
    ("current, resolution", "value", "A"),
    ("irradiance, noise", "standard", "W/m2"),
    ("irradiance, resolution", "value", "W/m2"),
    ("voltmeter above the device", "value", "V"),
    ("irradiance, delay made good", "value", "s"),
    ("area", "value", "m2"),
];

impl Stated {
    /// Nothing uncertain, nothing late, no area.
    pub const NOTHING: Self = Self { inputs: Inputs::PERFECT, delay: 0.0, area: None };

    /// The numbers of [`NUMBERS`].
    fn numbers(&self) -> [f64; NUMBERS.len()] {
        let of = |one: &Instrument| [one.noise, one.resolution];
        let Inputs { volts, amps, irradiance, raised, .. } = &self.inputs;
        let [[a, b], [c, d], [e, f]] = [of(volts), of(amps), of(irradiance)];
        [a, b, c, d, e, f, *raised, self.delay, self.area.unwrap_or(0.0)]
    }

    /// All that is not zero.
    ///
    /// ```
    /// use cresthold::curve::uncertainty::{Inputs, Spec, Stated};
    /// let inputs = Inputs { boost: Spec::Limits(0.01), raised: 6.0, ..Inputs::PERFECT };
    /// let stated = Stated { inputs, ..Stated::NOTHING };
    /// assert_eq!(stated.rows()[0].input, "boost supply, voltage");
    /// assert_eq!(Stated::from_rows(&stated.rows()), Ok(stated));
    /// ```
    #[must_use]
    pub fn rows(&self) -> Vec<Row> {
        let row = |input: &str, known: &str, value: f64, coverage: Option<f64>, unit: &str| Row {
            input: input.to_owned(),
            known: known.to_owned(),
            value,
            coverage,
            unit: unit.to_owned(),
        };
        let common = self.inputs.common().into_iter().zip(COMMON);
        let common = common.filter(|(spec, _)| spec.standard() > 0.0);
        let mut rows: Vec<Row> = common
            .map(|(spec, (input, unit))| match spec {
                Spec::Limits(half) => row(input, "limits", half, None, unit),
                Spec::Calibrated { expanded, coverage } => {
                    row(input, "expanded", expanded, Some(coverage), unit)
                }
                Spec::Standard(u) => row(input, "standard", u, None, unit),
            })
            .collect();
        let numbers = self.numbers().into_iter().zip(NUMBERS).filter(|(value, _)| *value != 0.0);
        rows.extend(
            numbers.map(|(value, (input, known, unit))| row(input, known, value, None, unit)),
        );
        rows
    }

    /// The same from its rows; what they don't name is zero.
    ///
    /// # Errors
    /// [`UnknownRow`].
    pub fn from_rows(rows: &[Row]) -> Result<Self, UnknownRow> {
        let mut stated = Self::NOTHING;
        let mut numbers = [0.0; NUMBERS.len()];
        for row in rows {
            let named =
                |(name, known, _): &(&str, &str, &str)| *name == row.input && *known == row.known;
            let common = COMMON.iter().position(|(name, _)| *name == row.input);
            let spec = match (row.known.as_str(), row.coverage) {
                ("limits", None) => Some(Spec::Limits(row.value)),
                ("expanded", Some(coverage)) => {
                    Some(Spec::Calibrated { expanded: row.value, coverage })
                }
                ("standard", None) => Some(Spec::Standard(row.value)),
                _ => None,
            };
            match (NUMBERS.iter().position(named), common, spec) {
                (Some(place), ..) => numbers[place] = row.value,
                (None, Some(place), Some(spec)) => *stated.inputs.common_mut()[place] = spec,
                _ => {
                    return Err(UnknownRow { input: row.input.clone(), known: row.known.clone() });
                }
            }
        }
        let [a, b, c, d, e, f, raised, delay, area] = numbers;
        let inputs = &mut stated.inputs;
        (inputs.volts.noise, inputs.volts.resolution) = (a, b);
        (inputs.amps.noise, inputs.amps.resolution) = (c, d);
        (inputs.irradiance.noise, inputs.irradiance.resolution) = (e, f);
        inputs.raised = raised;
        (stated.delay, stated.area) = (delay, (area > 0.0).then_some(area));
        Ok(stated)
    }

    /// The rows as lines of a comment, for a table of points.
    #[must_use]
    pub fn to_comment(&self) -> String {
        let line = |row: Row| {
            let Row { input, known, value, coverage, unit } = row;
            let k = coverage.map_or(String::new(), |k| format!("; k = {k}"));
            format!("{COMMENT}{input}: {known} {value} {unit}{k}\n")
        };
        self.rows().into_iter().map(line).collect()
    }

    /// What the comments of a table of points state; none where they state nothing.
    ///
    /// ```
    /// use cresthold::curve::uncertainty::{Inputs, Spec, Stated};
    /// let beta = Spec::Calibrated { expanded: 0.1, coverage: 2.0 };
    /// let stated = Stated { inputs: Inputs { beta, ..Inputs::PERFECT }, ..Stated::NOTHING };
    /// let text = stated.to_comment();
    /// assert_eq!(text, "# stated: beta, relative: expanded 0.1 1; k = 2\n");
    /// assert_eq!(Stated::from_comment(&text), Ok(Some(stated)));
    /// assert_eq!(Stated::from_comment("# sunny\nvoltage (V),current (A)\n"), Ok(None));
    /// ```
    ///
    /// # Errors
    /// [`UnknownRow`]; also for a line that begins like one of ours and is none.
    pub fn from_comment(text: &str) -> Result<Option<Self>, UnknownRow> {
        let lines = text.lines().filter_map(|line| line.trim().strip_prefix(COMMENT));
        let rows: Vec<Row> = lines.map(row).collect::<Result<_, _>>()?;
        if rows.is_empty() { Ok(None) } else { Self::from_rows(&rows).map(Some) }
    }
}

/// How a line of ours begins.
const COMMENT: &str = "# stated: ";

fn row(line: &str) -> Result<Row, UnknownRow> {
    let read = || {
        let (input, rest) = line.split_once(": ")?;
        let (rest, coverage) = match rest.split_once("; k = ") {
            Some((rest, k)) => (rest, Some(k.trim().parse().ok()?)),
            None => (rest, None),
        };
        let mut words = rest.split_whitespace();
        let (known, value, unit) = (words.next()?, words.next()?.parse().ok()?, words.next()?);
        let (input, known, unit) = (input.to_owned(), known.to_owned(), unit.to_owned());
        Some(Row { input, known, value, coverage, unit })
    };
    read().ok_or_else(|| UnknownRow { input: line.to_owned(), known: String::new() })
}
