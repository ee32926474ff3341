//! What is said when a device is described with impossible numbers.

/// A parameter lies outside the range the physics or the arithmetic allows.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error(
    "device: {name} is {value} {unit}, but must lie within {low}..={high} {unit}; \
     correct it where the device is described"
)]
pub struct ParameterError {
    /// Which parameter, in words.
    pub name: &'static str,
    /// The value found.
    pub value: f64,
    /// Unit of the value and of the bounds.
    pub unit: &'static str,
    /// Least allowed value.
    pub low: f64,
    /// Largest allowed value.
    pub high: f64,
}

/// The range of one parameter, with its name and unit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Range {
    pub(super) name: &'static str,
    pub(super) unit: &'static str,
    pub(super) low: f64,
    pub(super) high: f64,
}

impl Range {
    /// Whether `value` lies within, without a branch; NaN never does.
    #[inline(always)]
    pub(super) fn holds(&self, value: f64) -> bool {
        (value >= self.low) & (value <= self.high)
    }

    /// Passes `value` if it lies within; NaN never does.
    #[inline]
    pub(super) fn check(&self, value: f64) -> Result<(), ParameterError> {
        if self.holds(value) {
            return Ok(());
        }
        let Self { name, unit, low, high } = *self;
        Err(ParameterError { name, value, unit, low, high })
    }
}
