//! Crest line.

mod line;
mod shape;

use super::{Observation, Start, Tracker, Wish};
use crate::quantities::Volts;
use crate::time::Instant;
use line::Line;
use shape::Shape;

/// Settings of [`CrestLine`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CrestLineConfig {}

/// One look back.
#[derive(Clone, Copy, Debug, Default)]
struct Look {
    at: Instant,
    /// Crest current inferred.
    crest: f64,
    /// Dither.
    dither: f64,
    volts: f64,
    set: f64,
    amps: f64,
    /// Whole distance from the line.
    away: f64,
}

/// The tracker.
#[derive(Clone, Debug)]
pub struct CrestLine {
    scale: f64,
    line: Line,
    shape: Shape,
    past: [Look; 4],
    seen: usize,
    sign: f64,
    noise: f64,
    surprise: f64,
    wish: f64,
    open: f64,
    first: f64,
    shaped: bool,
    /// debug
    pub e: f64,
    fresh: u32,
}

const WEIGHTS: [f64; 4] = [-0.125, 0.375, -0.375, 0.125];
const UNEVEN: f64 = 10.0;
const LEAD: f64 = 0.6;
const MISSHAPE: f64 = 0.3;
const E_LOW: f64 = 6e-4;
const E_HIGH: f64 = 1e-2;

impl CrestLine {
    /// A tracker.
    #[must_use]
    pub fn new(_config: CrestLineConfig) -> Self {
        Self {
            scale: 0.0,
            line: Line::new(0.8, 0.05),
            shape: Shape::default(),
            past: [Look::default(); 4],
            seen: 0,
            sign: 1.0,
            noise: 0.0,
            surprise: 0.0,
            wish: 0.0,
            open: 0.0,
            first: 0.0,
            shaped: false,
            e: 0.0,
            fresh: 0,
        }
    }

    /// debug
    pub fn theta(&self) -> [f64; 3] {
        self.line.theta()
    }

    fn relook(&mut self) {
        for i in 0..4 {
            let mut l = self.past[i];
            l.crest = self.infer(l.volts, l.amps, l.crest, 2).0;
            l.away = l.set / self.line.at(l.crest).volts - 1.0;
            self.past[i] = l;
        }
    }

    fn infer(&self, volts: f64, amps: f64, from: f64, steps: u32) -> (f64, f64) {
        let mut crest = from;
        let mut answer = 1.0;
        for _ in 0..steps {
            let v = self.line.at(crest).volts.clamp(0.3, 1.2);
            let (h, a) = self.shape.at(volts / v - 1.0);
            crest = amps / h;
            answer = a;
        }
        (crest, answer)
    }
}

pub(crate) fn env(k: &str, d: f64) -> f64 {
    use std::sync::{Mutex, OnceLock};
    static M: OnceLock<Mutex<Vec<(String, f64)>>> = OnceLock::new();
    let mut m = M.get_or_init(|| Mutex::new(vec![])).lock().unwrap();
    if let Some(x) = m.iter().find(|x| x.0 == k) {
        return x.1;
    }
    let v = std::env::var(k).ok().and_then(|s| s.parse().ok()).unwrap_or(d);
    m.push((k.to_string(), v));
    v
}

impl Tracker for CrestLine {
    fn start(&mut self, from: &Start) -> Wish {
        if self.scale <= 0.0 {
            self.scale = from.open_circuit.0;
        }
        self.line = Line::new(
            from.foothold().0 / self.scale,
            if from.crest.is_some() { 0.01 } else { 0.05 },
        );
        self.seen = 0;
        self.open = from.open_circuit.0;
        self.shaped = false;
        self.wish = from.foothold().0;
        Wish::Hold(Volts(self.wish))
    }

    fn step(&mut self, seen: &Observation) -> Wish {
        let volts = seen.volts.0 / self.scale;
        let amps = seen.amps.0;
        if !(volts.is_finite() && amps.is_finite()) {
            self.seen = 0;
            return Wish::Hold(Volts(self.wish));
        }
        let before = self.past[3];
        let floor = 0.05 * before.crest;
        let amps = amps.max(floor).max(1e-9);
        if self.line_unset() {
            self.line.set_reference(amps);
            self.noise = 1e-3 * amps;
        }
        let dt = seen.at.saturating_since(before.at).as_secs_f64();
        let (crest, _) = self.infer(volts, amps, amps, 4);
        let granted = (seen.setpoint.0 - self.wish).abs() <= 1e-6 * self.scale;
        let dither = if granted { self.sign * self.e } else { 0.0 };
        let away = seen.setpoint.0 / self.scale / self.line.at(crest).volts - 1.0;
        if self.seen == 0 {
            self.first = crest;
        }
        self.line.set_reference(crest);
        self.past.rotate_left(1);
        self.past[3] = Look {
            at: seen.at,
            crest,
            dither,
            away,
            volts,
            set: seen.setpoint.0 / self.scale,
            amps,
        };
        self.seen += 1;
        if self.seen >= 2 {
            self.line.pass(dt.min(60.0));
        }
        if self.seen >= 4 {
            let mean = self.past.iter().map(|l| l.crest).sum::<f64>() / 4.0;
            let mut z = 0.0;
            let mut x = 0.0;
            let mut whole = 0.0;
            let mut square = 0.0;
            for (w, l) in WEIGHTS.iter().zip(&self.past) {
                z += w * l.crest / mean;
                x += w * l.dither;
                whole += w * l.away;
                square += w * l.away * l.away;
            }
            square *= self.shape.kappa() * MISSHAPE;
            x *= 2.0 * self.shape.kappa();
            whole *= 2.0 * self.shape.kappa();
            let point = self.line.at(mean);
            // z = x * (true - est) / v
            let gain = x / point.volts;
            let prior = self.line.variance(&point.basis) * gain * gain;
            let noise = (self.noise / mean).max(1e-5);
            let [a, b, c, d] = self.past.map(|l| l.crest / mean);
            let uneven = (a - b - c + d) / 8.0;
            let r = noise * noise * 3.2
                + UNEVEN * uneven * uneven
                + square * square
                + (whole - x).powi(2) * self.line.variance(&point.basis)
                    / (point.volts * point.volts);
            let extra = r - 3.2 * noise * noise;
            let s2 = prior + noise * noise + extra;
            if z * z > env("TH", 25.0) * s2 {
                let lambda =
                    ((z * z / 4.0 - noise * noise - extra) / prior).clamp(1.0, env("LMAX", 8.0));
                self.line.inflate(lambda);
            }
            let s = s2.sqrt();
            self.line.learn(&point.basis, gain, z, r);
            self.relook();
            let size = z.abs();
            let up = size > 0.6745 * (noise * noise + prior).sqrt();
            self.noise *= if up { 1.01 } else { 1.0 / 1.01 };
            self.noise = self.noise.clamp(1e-6 * mean, 0.05 * mean);
            // surprise
            let unit = (z * x.signum() / s).clamp(-3.0, 3.0);
            self.surprise += 0.06 * (unit - self.surprise);
            if self.surprise.abs() > env("SU", 1.5) {
                self.line.widen(0.01 * 0.01);
                self.surprise = 0.0;
            }
        }
        let crest = self.past[3].crest;
        let mut next = crest;
        if self.seen >= 3 && before.crest > 0.0 {
            let d = 0.5 * (crest - self.past[1].crest);
            let sure = d * d / (d * d + 9.0 * self.noise * self.noise);
            next = (crest + LEAD * d * sure).clamp(0.5 * crest, 2.0 * crest);
        }
        if !self.shaped && (crest / self.first - 1.0).abs() < 0.1 && self.seen > 20 {
            let p = self.line.at(crest);
            if self.line.variance(&p.basis).sqrt() < 0.01 {
                self.shape = Shape::from_share(p.volts * self.scale / self.open);
                self.shaped = true;
            }
        }
        let point = self.line.at(next);
        let sd = self.line.variance(&point.basis).sqrt() / point.volts;
        self.e = (0.7 * sd).clamp(E_LOW, E_HIGH);
        self.sign = -self.sign;
        self.wish = self.scale * point.volts.clamp(0.3, 1.3) * (1.0 + self.sign * self.e);
        self.fresh += 1;
        Wish::Hold(Volts(self.wish))
    }
}

impl CrestLine {
    fn line_unset(&self) -> bool {
        self.seen == 0 && self.noise <= 0.0
    }
}
