//! Columns: a name with its unit, a form, and where in a row the value lies.
//!
//! Model: a table is a list of columns over rows of one type. Form and value of a column are made by
//! the same function, so that they can't disagree. A writer sees headings first and then, row after
//! row, one value a column; it knows nothing of the log.

use super::ExportError;
use crate::control::record::Spread;
use crate::time::Utc;
use jiff::civil::Date;

/// What the values of a column are. Any of them may be unknown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// A moment, to the microsecond.
    Moment,
    /// A moment in whole seconds: the start of a minute.
    Minute,
    /// A date.
    Date,
    /// A real number.
    Number,
    /// A whole number.
    Whole,
    /// A word or a sentence.
    Text,
    /// Yes or no.
    Truth,
}

/// One value, of the form that its column has.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Value<'a> {
    /// Not known.
    Unknown,
    /// Of [`Form::Moment`] and [`Form::Minute`].
    Time(Utc),
    /// Of [`Form::Date`].
    Date(Date),
    /// Of [`Form::Number`]; finite.
    Number(f64),
    /// Of [`Form::Whole`].
    Whole(i64),
    /// Of [`Form::Text`].
    Text(&'a str),
    /// Of [`Form::Truth`].
    Truth(bool),
}

/// What stands above a column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heading {
    /// Its name.
    pub name: String,
    /// Its unit; empty where it has none. Of times the zone, as far as the log knows it.
    pub unit: String,
    /// What its values are.
    pub form: Form,
}

impl Heading {
    /// Whether the values are moments, which a writer may show in another zone.
    #[must_use]
    pub fn is_time(&self) -> bool {
        matches!(self.form, Form::Moment | Form::Minute)
    }

    /// Name and unit as one text, `power (W)`.
    #[must_use]
    pub fn label(&self) -> String {
        match self.unit.as_str() {
            "" => self.name.clone(),
            unit => format!("{} ({unit})", self.name),
        }
    }
}

/// Takes the rows of a table, value by value, in the order of its headings.
pub trait Sheet {
    /// The next value of the row.
    ///
    /// # Errors
    /// It can't be written.
    fn put(&mut self, value: Value<'_>) -> Result<(), ExportError>;

    /// The row is whole.
    ///
    /// # Errors
    /// It can't be written.
    fn end_row(&mut self) -> Result<(), ExportError>;
}

type Get<R> = Box<dyn for<'r> Fn(&'r R) -> Value<'r>>;

/// A column of rows `R`.
pub(super) struct Column<R> {
    pub(super) heading: Heading,
    pub(super) get: Get<R>,
}

impl<R> Column<R> {
    fn new(name: &str, unit: &str, form: Form, get: Get<R>) -> Self {
        Self { heading: Heading { name: name.to_owned(), unit: unit.to_owned(), form }, get }
    }
}

/// When: to the microsecond.
pub(super) fn moment<R>(get: impl Fn(&R) -> Utc + 'static) -> Column<R> {
    Column::new("time", "UTC", Form::Moment, Box::new(move |row| Value::Time(get(row))))
}

/// When a minute began.
pub(super) fn minute<R>(get: impl Fn(&R) -> Utc + 'static) -> Column<R> {
    Column::new("time", "UTC", Form::Minute, Box::new(move |row| Value::Time(get(row))))
}

/// A date, ISO 8601.
pub(super) fn date<R>(unit: &str, get: impl Fn(&R) -> &str + 'static) -> Column<R> {
    let get = move |row: &R| get(row).parse().map_or(Value::Unknown, Value::Date);
    Column::new("date", unit, Form::Date, Box::new(move |row| get(row)))
}

/// A real number; one that is no number is not known.
pub(super) fn number<R>(
    (name, unit): (&str, &str),
    get: impl Fn(&R) -> Option<f64> + 'static,
) -> Column<R> {
    let get = move |row: &R| {
        get(row).filter(|number| number.is_finite()).map_or(Value::Unknown, Value::Number)
    };
    Column::new(name, unit, Form::Number, Box::new(move |row| get(row)))
}

/// A whole number.
pub(super) fn whole<R>(name: &str, get: impl Fn(&R) -> i64 + 'static) -> Column<R> {
    Column::new(name, "", Form::Whole, Box::new(move |row| Value::Whole(get(row))))
}

/// Text.
pub(super) fn text<R>(
    name: &str,
    get: impl for<'r> Fn(&'r R) -> Option<&'r str> + 'static,
) -> Column<R> {
    Column::new(
        name,
        "",
        Form::Text,
        Box::new(move |row| get(row).map_or(Value::Unknown, Value::Text)),
    )
}

/// Yes or no.
pub(super) fn truth<R>(name: &str, get: impl Fn(&R) -> bool + 'static) -> Column<R> {
    Column::new(name, "", Form::Truth, Box::new(move |row| Value::Truth(get(row))))
}

/// Mean, least, largest, deviation and count of a quantity; `get` is copied into each.
pub(super) fn spread<R: 'static>(
    (name, unit): (&str, &str),
    get: impl Fn(&R) -> Spread + Copy + 'static,
) -> [Column<R>; 5] {
    let known = move |row: &R| Some(get(row)).filter(|spread| spread.count > 0);
    let name = |part: &str| format!("{name} {part}").trim_start().to_owned();
    [
        number((&name("mean"), unit), move |row| known(row).map(|spread| spread.mean)),
        number((&name("least"), unit), move |row| known(row).map(|spread| spread.min)),
        number((&name("largest"), unit), move |row| known(row).map(|spread| spread.max)),
        number((&name("deviation"), unit), move |row| known(row).map(|spread| spread.deviation)),
        whole(&name("values"), move |row| i64::from(get(row).count)),
    ]
}
