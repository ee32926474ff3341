//! How the colour of the light suits a device.
//!
//! Model: the share by which a module's short-circuit current differs from what the broadband irradiance says, with
//! absolute air mass `m` and precipitable water `w` (cm):
//!
//! `M = c0 + c1 m + c2 w + c3 sqrt(m) + c4 sqrt(w) + c5 m / sqrt(w)`
//!
//! (M. Lee, A. Panchula, "Spectral correction for photovoltaic module performance based on air mass and
//! precipitable water", IEEE PVSC 43, 1351-1356, 2016; coefficients as in pvlib 0.16.1, fitted there
//! to simulated clear-sky spectra). `m` is held within 0.58..=10 and `w` within 0.1..=8, as pvlib
//! does, but for its refusal of more water. Under clouds it says what the clear sky's water would do.
//!
//! Rejected: models with aerosol (typical years have it as a climate's mean, if at all), and one with
//! air mass alone (water moves the factor by more over a year).

/// What absorbs the light.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Absorber {
    /// Monocrystalline silicon.
    MonoSilicon,
    /// Multicrystalline silicon.
    MultiSilicon,
    /// Amorphous silicon.
    AmorphousSilicon,
    /// Cadmium telluride.
    CadmiumTelluride,
    /// Copper indium gallium selenide.
    Cigs,
}

impl Absorber {
    /// All of them.
    pub const ALL: [Self; 5] = [
        Self::MonoSilicon,
        Self::MultiSilicon,
        Self::AmorphousSilicon,
        Self::CadmiumTelluride,
        Self::Cigs,
    ];

    const fn coefficients(self) -> [f64; 6] {
        match self {
            Self::MonoSilicon => {
                [0.859_14, -0.020_880, -0.005_885_3, 0.120_29, 0.026_814, -0.001_781_0]
            }
            Self::MultiSilicon => {
                [0.840_90, -0.027_539, -0.007_922_4, 0.135_70, 0.038_024, -0.002_121_8]
            }
            Self::AmorphousSilicon => {
                [1.120_94, -0.047_620, -0.008_362_7, -0.104_43, 0.098_382, -0.003_381_8]
            }
            Self::CadmiumTelluride => {
                [0.862_73, -0.038_948, -0.012_506, 0.098_871, 0.084_658, -0.004_294_8]
            }
            Self::Cigs => [0.852_52, -0.022_314, -0.004_721_6, 0.136_66, 0.013_342, -0.000_894_5],
        }
    }

    /// The factor on the irradiance, near one, at an absolute air mass (0..) and a column of water (cm, 0..).
    ///
    /// ```
    /// use cresthold_sim::sky::spectrum::Absorber;
    /// // The standard spectrum has 1.5 and 1.42 cm: 0.85914 - 0.03132 - 0.00836 + 0.14733 + 0.03195 - 0.00224.
    /// let factor = Absorber::MonoSilicon.factor(1.5, 1.42);
    /// assert!((factor - 0.9965).abs() < 5e-5, "{factor}");
    /// // Water takes infrared light, which cadmium telluride can't use anyway: damp air suits it better.
    /// let cdte = Absorber::CadmiumTelluride;
    /// assert!(cdte.factor(1.5, 4.0) > cdte.factor(1.5, 0.5));
    /// ```
    #[must_use]
    pub fn factor(self, air_mass: f64, water: f64) -> f64 {
        let [c0, c1, c2, c3, c4, c5] = self.coefficients();
        let (m, w) = (air_mass.clamp(0.58, 10.0), water.clamp(0.1, 8.0));
        c0 + c1 * m + c2 * w + c3 * m.sqrt() + c4 * w.sqrt() + c5 * m / w.sqrt()
    }
}
