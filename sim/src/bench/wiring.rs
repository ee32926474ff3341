//! Mistakes of wiring that a bench can be given.
//!
//! Model: only what a commissioning has to find and what the loop's equation can carry: signs and a
//! scale. With the input open, every mistake shows at the terminals as it would in life. A reversed
//! device in a closed loop is not modelled (it gives no current): nobody may close that loop.
//! A lead without sense wires, a weak load and the like need no word here: they are parameters of
//! the bench itself.

/// How the boost supply is wired.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum BoostWiring {
    /// In series and aiding, as it must be.
    #[default]
    Series,
    /// In series and opposing.
    Reversed,
    /// Not in the loop: the leads go around it.
    Absent,
    /// Across the device instead of in series: the device holds the supply's terminals up.
    Across,
}

impl BoostWiring {
    /// Its share in the loop's voltage.
    pub(super) const fn sign(self) -> f64 {
        match self {
            Self::Series => 1.0,
            Self::Reversed => -1.0,
            Self::Absent | Self::Across => 0.0,
        }
    }
}

/// How the loop is wired.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wiring {
    /// The device's poles are exchanged.
    pub device_reversed: bool,
    /// The boost supply's place.
    pub boost: BoostWiring,
    /// The boost supply's true voltage over the one it is set to; 1 for an honest one.
    pub boost_scale: f64,
}

/// As it must be.
impl Default for Wiring {
    fn default() -> Self {
        Self { device_reversed: false, boost: BoostWiring::Series, boost_scale: 1.0 }
    }
}
