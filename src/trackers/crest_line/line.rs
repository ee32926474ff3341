//! The crest line: the crest's voltage over its current, learned.

/// Parameters.
const N: usize = 3;

#[derive(Clone, Copy, Debug)]
pub(super) struct Prior {
    pub(super) foothold: f64,
    pub(super) foothold_sd: f64,
}

#[derive(Clone, Debug)]
pub(super) struct Line {
    theta: [f64; N],
    cov: [[f64; N]; N],
    reference: f64,
}

pub(super) const SLOPE: f64 = 0.05;
const SLOPE_SD: f64 = 0.025;
const BEND_SD: f64 = 0.03;
/// Process noise, per second.
const DRIFT: f64 = 1e-4;
const SLOPE_DRIFT: f64 = 1e-6;
const BEND_DRIFT: f64 = 1e-6;
const FARTHEST: f64 = 8.0;
const HIGHEST: f64 = 20.0;

pub(super) struct Point {
    pub(super) basis: [f64; N],
    pub(super) volts: f64,
}

impl Line {
    pub(super) fn new(foothold: f64, sd: f64) -> Self {
        let mut cov = [[0.0; N]; N];
        cov[0][0] = sd * sd;
        cov[1][1] = SLOPE_SD * SLOPE_SD;
        cov[2][2] = BEND_SD * BEND_SD;
        Self { theta: [foothold, SLOPE, 0.0], cov, reference: 0.0 }
    }

    pub(super) fn set_reference(&mut self, amps: f64) {
        if self.reference <= 0.0 {
            self.reference = amps;
            return;
        }
        if amps < 1.5 * self.reference {
            return;
        }
        let r = amps / self.reference;
        let l = r.ln();
        self.reference = amps;
        // theta' = A theta
        let a = [[1.0, l, r - 1.0], [0.0, 1.0, 0.0], [0.0, 0.0, r]];
        self.theta = mul(&a, &self.theta);
        let mut half = [[0.0; N]; N];
        for i in 0..N {
            for j in 0..N {
                for k in 0..N {
                    half[i][j] += a[i][k] * self.cov[k][j];
                }
            }
        }
        let mut cov = [[0.0; N]; N];
        for i in 0..N {
            for j in 0..N {
                for k in 0..N {
                    cov[i][j] += half[i][k] * a[j][k];
                }
            }
        }
        self.cov = cov;
        let cap = BEND_SD * BEND_SD;
        if self.cov[2][2] > cap {
            let f = (cap / self.cov[2][2]).sqrt();
            for i in 0..N {
                self.cov[2][i] *= f;
                self.cov[i][2] *= f;
            }
        }
    }

    fn basis(&self, amps: f64) -> [f64; N] {
        let ratio = (amps / self.reference).clamp(1e-6, HIGHEST);
        [1.0, ratio.ln().clamp(-FARTHEST, FARTHEST), ratio - 1.0]
    }

    pub(super) fn at(&self, amps: f64) -> Point {
        let basis = self.basis(amps);
        Point { volts: dot(&self.theta, &basis), basis }
    }

    pub(super) fn variance(&self, basis: &[f64; N]) -> f64 {
        dot(basis, &mul(&self.cov, basis)).max(0.0)
    }

    pub(super) fn pass(&mut self, seconds: f64) {
        self.cov[0][0] += DRIFT * DRIFT * seconds;
        self.cov[1][1] += SLOPE_DRIFT * SLOPE_DRIFT * seconds;
        self.cov[2][2] += BEND_DRIFT * BEND_DRIFT * seconds;
        self.cov[0][0] = self.cov[0][0].min(0.01);
    }

    pub(super) fn inflate(&mut self, by: f64) {
        let cap = [0.01, 1e-3, 1e-3];
        for i in 0..N {
            let f = by.min(cap[i] / self.cov[i][i]).max(1.0).sqrt();
            for j in 0..N {
                self.cov[i][j] *= f;
                self.cov[j][i] *= f;
            }
        }
    }

    pub(super) fn widen(&mut self, variance: f64) {
        self.cov[0][0] = (self.cov[0][0] + variance).min(0.01);
    }

    /// One look: `gain` * (basis . change) was found to be `found`, with this variance.
    pub(super) fn learn(&mut self, basis: &[f64; N], gain: f64, found: f64, variance: f64) {
        let h = basis.map(|b| b * gain);
        let ph = mul(&self.cov, &h);
        let s = dot(&h, &ph) + variance;
        if !(s > 0.0 && s.is_finite()) {
            return;
        }
        for i in 0..N {
            self.theta[i] += ph[i] * found / s;
        }
        for i in 0..N {
            for j in 0..N {
                self.cov[i][j] -= ph[i] * ph[j] / s;
            }
        }
        for i in 0..N {
            self.cov[i][i] = self.cov[i][i].max(1e-12);
        }
    }

    pub(super) fn theta(&self) -> [f64; N] {
        self.theta
    }
}

fn dot(a: &[f64; N], b: &[f64; N]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn mul(m: &[[f64; N]; N], v: &[f64; N]) -> [f64; N] {
    [dot(&m[0], v), dot(&m[1], v), dot(&m[2], v)]
}
