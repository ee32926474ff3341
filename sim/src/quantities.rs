//! Physical quantities as newtypes over `f64`, one unit each, used by both crates.
//!
//! Model: the unit is part of the type's definition, the number is public (`Volts(31.2).0`), and
//! only products that mean something exist (`Volts * Amps = Watts`, `Volts / Ohms = Amps`).
//! A units crate with dimensional analysis was rejected: nine units and six products do not pay
//! for its compile time and its error messages.
//!
//! ```
//! use cresthold_sim::quantities::{Amps, Ohms, Volts, Watts};
//! assert_eq!(Volts(30.0) * Amps(8.0), Watts(240.0));
//! assert_eq!(Amps(2.0) * Ohms(0.5), Volts(1.0));
//! assert_eq!(Watts(240.0) / Volts(30.0), Amps(8.0));
//! assert_eq!(Volts(31.0) / Volts(62.0), 0.5);
//! assert_eq!(format!("{:.2}", Volts(31.2)), "31.20 V");
//! ```

use std::fmt;
use std::iter::Sum;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub, SubAssign};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
        #[repr(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// Zero of this quantity.
            pub const ZERO: Self = Self(0.0);
            /// The unit's symbol, as printed and as stored in the log.
            pub const UNIT: &'static str = $unit;

            /// The larger of two values; a NaN gives way to the other.
            #[must_use]
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }

            /// The smaller of two values; a NaN gives way to the other.
            #[must_use]
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }

            /// The magnitude.
            #[must_use]
            pub fn abs(self) -> Self {
                Self(self.0.abs())
            }

            /// Neither NaN nor infinite.
            #[must_use]
            pub fn is_finite(self) -> bool {
                self.0.is_finite()
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)?;
                f.write_str(concat!(" ", $unit))
            }
        }

        impl Add for $name {
            type Output = Self;
            fn add(self, rhs: Self) -> Self {
                Self(self.0 + rhs.0)
            }
        }

        impl Sub for $name {
            type Output = Self;
            fn sub(self, rhs: Self) -> Self {
                Self(self.0 - rhs.0)
            }
        }

        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }

        impl AddAssign for $name {
            fn add_assign(&mut self, rhs: Self) {
                self.0 += rhs.0;
            }
        }

        impl SubAssign for $name {
            fn sub_assign(&mut self, rhs: Self) {
                self.0 -= rhs.0;
            }
        }

        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, rhs: f64) -> Self {
                Self(self.0 * rhs)
            }
        }

        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, rhs: f64) -> Self {
                Self(self.0 / rhs)
            }
        }

        /// The ratio of two values of one quantity is a number.
        impl Div for $name {
            type Output = f64;
            fn div(self, rhs: Self) -> f64 {
                self.0 / rhs.0
            }
        }

        impl Sum for $name {
            fn sum<I: Iterator<Item = Self>>(iter: I) -> Self {
                Self(iter.map(|q| q.0).sum())
            }
        }
    };
}

macro_rules! product {
    ($left:ident * $right:ident = $out:ident) => {
        impl Mul<$right> for $left {
            type Output = $out;
            fn mul(self, rhs: $right) -> $out {
                $out(self.0 * rhs.0)
            }
        }
        impl Mul<$left> for $right {
            type Output = $out;
            fn mul(self, rhs: $left) -> $out {
                $out(self.0 * rhs.0)
            }
        }
        impl Div<$left> for $out {
            type Output = $right;
            fn div(self, rhs: $left) -> $right {
                $right(self.0 / rhs.0)
            }
        }
        impl Div<$right> for $out {
            type Output = $left;
            fn div(self, rhs: $right) -> $left {
                $left(self.0 / rhs.0)
            }
        }
    };
}

quantity!(
    /// Electric potential difference (V).
    Volts, "V"
);
quantity!(
    /// Electric current (A); positive when the device delivers power.
    Amps, "A"
);
quantity!(
    /// Power (W); positive when the device delivers it.
    Watts, "W"
);
quantity!(
    /// Energy (Wh).
    WattHours, "Wh"
);
quantity!(
    /// Resistance (ohm).
    Ohms, "ohm"
);
quantity!(
    /// Temperature on the Celsius scale (degC). [`Celsius::kelvin`] gives the absolute one.
    Celsius, "degC"
);
quantity!(
    /// Irradiance (W/m2), of whichever kind the field's name says.
    Irradiance, "W/m2"
);
quantity!(
    /// Irradiation, the time integral of irradiance (Wh/m2).
    Irradiation, "Wh/m2"
);
quantity!(
    /// Speed, here of wind and clouds (m/s).
    MetresPerSecond, "m/s"
);

product!(Volts * Amps = Watts);
product!(Amps * Ohms = Volts);

/// 0 degC in kelvin; exact by the definition of the Celsius scale (SI Brochure, 9th edition, 2.3.1).
pub const ZERO_CELSIUS_KELVIN: f64 = 273.15;

impl Celsius {
    /// The same temperature in kelvin.
    ///
    /// ```
    /// # use cresthold_sim::quantities::Celsius;
    /// assert_eq!(Celsius(25.0).kelvin(), 298.15);
    /// ```
    #[must_use]
    pub fn kelvin(self) -> f64 {
        self.0 + ZERO_CELSIUS_KELVIN
    }

    /// A temperature given in kelvin.
    #[must_use]
    pub fn from_kelvin(kelvin: f64) -> Self {
        Self(kelvin - ZERO_CELSIUS_KELVIN)
    }
}

/// Standard test conditions: irradiance 1000 W/m2 (IEC 60904-3, from memory).
pub const STC_IRRADIANCE: Irradiance = Irradiance(1000.0);
/// Standard test conditions: cell temperature 25 degC (IEC 60904-3, from memory).
pub const STC_TEMPERATURE: Celsius = Celsius(25.0);
