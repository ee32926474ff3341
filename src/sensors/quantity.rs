//! What sensors measure.

/// What a sensor measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// Irradiance in the plane of the array (W/m2).
    PlaneIrradiance,
    /// Direct normal irradiance, for a concentrator (W/m2).
    DirectIrradiance,
    /// Temperature on the back of the module (degC).
    ModuleTemperature,
    /// Temperature of the load's heat sink (degC).
    HeatsinkTemperature,
    /// Air temperature (degC).
    AirTemperature,
    /// Wind speed (m/s).
    WindSpeed,
    /// How far a sun-tracking mount points beside the sun (degrees).
    PointingError,
    /// Whether a sun-tracking mount says that it follows the sun (0 or 1).
    OnSun,
}

impl Quantity {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::PlaneIrradiance,
        Self::DirectIrradiance,
        Self::ModuleTemperature,
        Self::HeatsinkTemperature,
        Self::AirTemperature,
        Self::WindSpeed,
        Self::PointingError,
        Self::OnSun,
    ];

    /// Their names in the station file and in the log, in the same order.
    pub const NAMES: [&'static str; 8] = [
        "plane-irradiance",
        "direct-irradiance",
        "module-temperature",
        "heatsink-temperature",
        "air-temperature",
        "wind-speed",
        "pointing-error",
        "on-sun",
    ];

    /// Its name in the station file and in the log.
    #[must_use]
    pub const fn name(self) -> &'static str {
        Self::NAMES[self as usize]
    }

    /// Its unit's symbol; `1` for a status.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::PlaneIrradiance | Self::DirectIrradiance => "W/m2",
            Self::ModuleTemperature | Self::HeatsinkTemperature | Self::AirTemperature => "degC",
            Self::WindSpeed => "m/s",
            Self::PointingError => "degrees",
            Self::OnSun => "1",
        }
    }

    /// Whether it is an irradiance.
    #[must_use]
    pub const fn is_irradiance(self) -> bool {
        matches!(self, Self::PlaneIrradiance | Self::DirectIrradiance)
    }

    /// Whether it is a temperature.
    #[must_use]
    pub const fn is_temperature(self) -> bool {
        matches!(self, Self::ModuleTemperature | Self::HeatsinkTemperature | Self::AirTemperature)
    }

    /// What lies within reason where the station states no range: irradiance a little below zero
    /// at night (thermal offset) and above any cloud edge; temperatures of deserts, poles and
    /// hot heat sinks; wind up to the strongest gusts measured (113 m/s, WMO, from memory).
    #[must_use]
    pub const fn plausible(self) -> (f64, f64) {
        match self {
            Self::PlaneIrradiance | Self::DirectIrradiance => (-20.0, 2000.0),
            Self::ModuleTemperature => (-60.0, 130.0),
            Self::HeatsinkTemperature => (-60.0, 150.0),
            Self::AirTemperature => (-60.0, 60.0),
            Self::WindSpeed => (0.0, 115.0),
            Self::PointingError => (0.0, 180.0),
            Self::OnSun => (0.0, 1.0),
        }
    }
}
