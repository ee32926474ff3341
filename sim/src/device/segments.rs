//! The curve of a row of unequal sources with bypass diodes, solved piece by piece.
//!
//! Model: groups of equal substrings are sorted by their knee, the current above which their bypass
//! diode conducts. Segment `j` reaches from knee `j - 1` to knee `j`: groups before `j` are
//! bypassed, group `j` is the weakest that still works. Inside a segment the voltage at a current,
//! `V(I) = sum n_i V_i(I)`, is concave and falling, so
//!
//! - `V(I) = V` has one root, found in the diode voltage `x` of group `j`, in which it is nearly
//!   straight (`I(x)` is explicit; the others are closed in the omega function);
//! - `P = I V(I)` is concave: at most one crest per segment. At a knee the slope jumps up, so no
//!   crest lies there. The largest of the segments' crests is the global one, exactly.
//!
//! With one group all this is one scaled single diode.
//!
//! Rejected: scanning the curve for crests (misses narrow ones, slow), and Newton on `I` (the
//! voltage falls nearly vertically at each knee).

use super::single_diode::{Crest, SingleDiode};
use crate::quantities::Irradiance;

/// A Newton step below this part of `a` leaves its square as the error.
const LAST_STEP: f64 = 1e-6;
/// Nearer to its knee than this part of `a` a segment has no crest of its own.
const AT_KNEE: f64 = 1e-9;
/// Newton needs three to eight steps; halving the bracket takes the rest.
const STEPS: usize = 150;
/// `ln` of the largest diode current (A) a bracket reaches.
const LN_LARGEST: f64 = 200.0;

/// Equal substrings seeing the same: the weakest of a segment, or one of the others.
#[derive(Clone, Copy, Debug)]
pub(super) struct Group {
    diode: SingleDiode,
    /// How many in series.
    count: f64,
    /// Bypass diode: threshold (V), infinite without one, and slope (ohm).
    threshold: f64,
    slope: f64,
    /// Current (A) above which the bypass diode conducts.
    knee: f64,
    /// Voltage of the whole row (V) at the knee.
    knee_volts: f64,
    /// `dP/dI` of the whole row (V) just above the knee.
    knee_rise: f64,
    /// What it is and the irradiance it sees (W/m2), to find equals.
    kind: usize,
    seen: f64,
}

impl Group {
    pub(super) fn new(diode: SingleDiode, count: f64, threshold: f64, slope: f64) -> Self {
        let knee = if threshold.is_finite() { diode.amps_at(-threshold) } else { f64::INFINITY };
        let (knee_volts, knee_rise) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        Self { diode, count, threshold, slope, knee, knee_volts, knee_rise, kind: 0, seen: 0.0 }
    }

    /// Marked for [`Segments::join`]: what it is and the irradiance it sees.
    pub(super) fn marked(self, kind: usize, seen: Irradiance) -> Self {
        Self { kind, seen: seen.0, ..self }
    }
}

/// Voltage (V) at a current with its first two derivatives (ohm, ohm/A).
#[derive(Clone, Copy, Debug, Default)]
struct Drop {
    volts: f64,
    first: f64,
    second: f64,
}

impl Drop {
    fn add(&mut self, count: f64, part: Self) {
        self.volts += count * part.volts;
        self.first += count * part.first;
        self.second += count * part.second;
    }
}

/// The weakest group's current at a diode voltage, with what a step needs.
struct Weak {
    amps: f64,
    /// Diode current (A), `g = -dI/dx` (S) and its derivative (S/V).
    diode: f64,
    g: f64,
    bend: f64,
}

/// All groups of a row at its conditions, sorted by knee.
#[derive(Clone, Debug)]
pub(super) struct Segments {
    groups: Vec<Group>,
}

impl Segments {
    pub(super) fn with_capacity(groups: usize) -> Self {
        Self { groups: Vec::with_capacity(groups) }
    }

    pub(super) fn clear(&mut self) {
        self.groups.clear();
    }

    pub(super) fn push(&mut self, group: Group) {
        self.groups.push(group);
    }

    /// Counts one more substring into an equal group; false when there is none.
    pub(super) fn join(&mut self, kind: usize, seen: Irradiance) -> bool {
        let equal =
            |group: &&mut Group| group.kind == kind && group.seen.to_bits() == seen.0.to_bits();
        match self.groups.iter_mut().find(equal) {
            Some(group) => {
                group.count += 1.0;
                true
            }
            None => false,
        }
    }

    /// Sorts the groups and finds the row's voltage at each knee.
    pub(super) fn arrange(&mut self) {
        if let [only] = self.groups.as_mut_slice() {
            only.knee_volts = -only.count * only.threshold;
            return;
        }
        self.groups.sort_unstable_by(|a, b| {
            a.knee.total_cmp(&b.knee).then(a.diode.il.total_cmp(&b.diode.il))
        });
        for j in 0..self.groups.len() {
            let knee = self.groups[j].knee;
            if knee.is_finite() {
                let row = self.others(j, j + 1, knee, Drop::default());
                let group = &mut self.groups[j];
                let volts = row.volts - group.count * group.threshold;
                let first = row.first - group.count * group.slope;
                group.knee_volts = volts;
                group.knee_rise = volts + knee * first;
            }
        }
    }

    /// Adds to `sum` the bypassed groups before `working` and the working ones from `from` on.
    fn others(&self, working: usize, from: usize, amps: f64, mut sum: Drop) -> Drop {
        for group in &self.groups[..working] {
            sum.volts -= group.count * (group.threshold + group.slope * (amps - group.knee));
            sum.first -= group.count * group.slope;
        }
        for group in &self.groups[from..] {
            sum.add(group.count, working_drop(&group.diode, amps));
        }
        sum
    }

    /// Voltage (V) at a current (A).
    pub(super) fn volts_at(&self, amps: f64) -> f64 {
        let part = |group: &Group| {
            if amps > group.knee {
                -group.threshold - group.slope * (amps - group.knee)
            } else {
                group.diode.volts_at(amps).max(-group.threshold)
            }
        };
        self.groups.iter().map(|group| group.count * part(group)).sum()
    }

    /// Open-circuit voltage (V).
    pub(super) fn open_circuit(&self) -> f64 {
        self.groups.iter().map(|group| group.count * group.diode.open_circuit().0).sum()
    }

    /// Current (A) at the voltage (V) behind a resistance (ohm) in series.
    pub(super) fn amps_at(&self, volts: f64, lead: f64) -> f64 {
        // A voltage that is no number goes to the solution, which returns it.
        let below = |group: &Group| {
            group.knee_volts.is_finite() && volts < group.knee_volts - group.knee * lead
        };
        let Some(j) = self.groups.iter().position(|group| !below(group)) else {
            return self.all_bypassed(volts, lead);
        };
        if let [only] = self.groups.as_slice() {
            let diode = &only.diode;
            let volts = volts / only.count;
            if lead <= 0.0 {
                return diode.amps_at(volts);
            }
            return diode.with_more_series(lead / only.count).amps_at(volts);
        }
        self.solve(j, volts, lead)
    }

    /// Below the last knee: a straight line.
    fn all_bypassed(&self, volts: f64, lead: f64) -> f64 {
        let (mut at_zero, mut slope) = (0.0, lead);
        for group in &self.groups {
            at_zero += group.count * (group.slope * group.knee - group.threshold);
            slope += group.count * group.slope;
        }
        (at_zero - volts) / slope
    }

    /// Bracket of segment `j` in the weakest group's diode voltage (V), for row voltages from
    /// `least` to `largest` (V).
    fn bracket(&self, j: usize, least: f64, largest: f64) -> (f64, f64) {
        let weak = &self.groups[j];
        let diode = &weak.diode;
        let low = if weak.threshold.is_finite() {
            weak.knee * diode.rs - weak.threshold
        } else {
            ((least - self.ceiling()) / weak.count).min(0.0)
        };
        let high = if j > 0 {
            diode.diode_volts(self.groups[j - 1].knee)
        } else {
            (largest / weak.count).max(diode.ideal_open_circuit())
        };
        (low, high.min(diode.a * (LN_LARGEST - diode.ln_i0)).max(low))
    }

    /// A bound (V) on the row's open-circuit voltage.
    fn ceiling(&self) -> f64 {
        self.groups.iter().map(|group| group.count * group.diode.ideal_open_circuit()).sum()
    }

    /// The current (A) in segment `j` at the voltage (V) behind a resistance (ohm).
    fn solve(&self, j: usize, volts: f64, lead: f64) -> f64 {
        let weak = &self.groups[j];
        let (mut low, mut high) = self.bracket(j, volts, volts);
        let lost = if weak.knee.is_finite() { weak.knee * lead } else { 0.0 };
        let mut x = self.first_guess(j, volts + lost).clamp(low, high);
        let mut last = f64::INFINITY;
        for _ in 0..STEPS {
            let at = weak_at(&weak.diode, x);
            let row = self.row_at(j, x, &at);
            let excess = row.volts - at.amps * lead - volts;
            if excess > 0.0 {
                high = x;
            } else {
                low = x;
            }
            // dV/dx = -g dV/dI.
            let step = excess / (at.g * (row.first - lead));
            if step.abs() <= LAST_STEP * weak.diode.a {
                return stepped(&weak.diode, &at, step);
            }
            x = next(x, step, &mut last, (low, high));
        }
        weak_at(&weak.diode, x).amps
    }

    /// Two upper bounds of the root, the lower of them: the others as stiff as at the knee, and
    /// everybody sharing alike.
    fn first_guess(&self, j: usize, volts: f64) -> f64 {
        let weak = &self.groups[j];
        let stiff =
            (volts - weak.knee_volts) / weak.count - weak.threshold + weak.knee * weak.diode.rs;
        let bypassed: f64 = self.groups[..j].iter().map(|g| g.count * g.threshold).sum();
        let sharing: f64 = self.groups[j..].iter().map(|g| g.count * g.diode.a).sum();
        let shared = (volts + bypassed) * weak.diode.a / sharing + weak.knee * weak.diode.rs;
        if stiff.is_finite() { stiff.min(shared) } else { volts * weak.diode.a / sharing }
    }

    /// The row's voltage and derivatives with the weakest group at diode voltage `x` (V).
    fn row_at(&self, j: usize, x: f64, at: &Weak) -> Drop {
        let weak = &self.groups[j];
        let mut sum = Drop::default();
        let inverse = 1.0 / at.g;
        let own = Drop {
            volts: x - at.amps * weak.diode.rs,
            first: -weak.diode.rs - inverse,
            second: -at.bend * inverse * inverse * inverse,
        };
        sum.add(weak.count, own);
        self.others(j, j + 1, at.amps, sum)
    }

    /// The global crest.
    pub(super) fn crest(&self) -> Crest {
        if let [only] = self.groups.as_slice() {
            return scaled(only.diode.crest(), only.count);
        }
        let mut best = Crest::default();
        let mut left = self.ceiling();
        for (j, group) in self.groups.iter().enumerate() {
            // In this segment neither current nor voltage exceeds its ends.
            let bound = group.knee * left;
            if (bound.is_nan() || bound > best.watts.0)
                && let Some(crest) = self.segment_crest(j)
                && crest.watts > best.watts
            {
                best = crest;
            }
            left = group.knee_volts;
        }
        best
    }

    /// All local crests into `buffer`; how many.
    pub(super) fn crests(&self, buffer: &mut [Crest]) -> usize {
        let mut found = 0;
        for j in 0..self.groups.len() {
            let crest = match self.groups.as_slice() {
                [only] => Some(scaled(only.diode.crest(), only.count)),
                _ => self.segment_crest(j),
            };
            if let (Some(crest), Some(place)) = (crest, buffer.get_mut(found))
                && crest.watts.0 > 0.0
            {
                *place = crest;
                found += 1;
            }
        }
        found
    }

    /// The crest inside segment `j`, if there is one.
    fn segment_crest(&self, j: usize) -> Option<Crest> {
        let weak = &self.groups[j];
        // Power that still rises toward the segment's lower current leaves no crest in it.
        let rising = j == 0 || self.groups[j - 1].knee_rise > 0.0;
        if weak.diode.is_dark() || !rising {
            return None;
        }
        let (floor, mut high) = self.bracket(j, 0.0, 0.0);
        let mut low = floor;
        let mut x = weak.diode.crest_guess(weak.diode.ideal_open_circuit()).clamp(low, high);
        let mut last = f64::INFINITY;
        for _ in 0..STEPS {
            let at = weak_at(&weak.diode, x);
            let row = self.row_at(j, x, &at);
            let rise = row.volts + at.amps * row.first;
            if rise < 0.0 {
                low = x;
            } else {
                high = x;
                // A leaky or nearly dark group may let the power rise through its knee.
                if x - floor < AT_KNEE * weak.diode.a {
                    return None;
                }
            }
            // f = dP/dx = -g dP/dI and its derivative; the step is -f/f'.
            let curve = 2.0 * row.first + at.amps * row.second;
            let step = at.g * rise / (at.g * at.g * curve - at.bend * rise);
            if step.abs() <= LAST_STEP * weak.diode.a {
                let amps = stepped(&weak.diode, &at, step);
                return Some(Crest::at(row.volts + (amps - at.amps) * row.first, amps));
            }
            x = next(x, step, &mut last, (low, high));
        }
        let at = weak_at(&weak.diode, x);
        Some(Crest::at(self.row_at(j, x, &at).volts, at.amps))
    }
}

/// The next `x`: a Newton step if it stays inside and shrinks, else the bracket's middle.
fn next(x: f64, step: f64, last: &mut f64, (low, high): (f64, f64)) -> f64 {
    let wanted = x + step;
    if wanted >= low && wanted <= high && step.abs() < 0.7 * *last {
        *last = step.abs();
        wanted
    } else {
        *last = 0.5 * (high - low);
        0.5 * (low + high)
    }
}

/// The weakest group's current after one small step (V) from a point already evaluated.
fn stepped(diode: &SingleDiode, at: &Weak, step: f64) -> f64 {
    let d = step * diode.inv_a;
    at.amps - at.diode * d * (1.0 + 0.5 * d) - step * diode.gsh
}

fn weak_at(diode: &SingleDiode, x: f64) -> Weak {
    let carried = (diode.ln_i0 + x * diode.inv_a).exp();
    let gd = carried * diode.inv_a;
    Weak {
        amps: diode.il + diode.i0 - carried - x * diode.gsh,
        diode: carried,
        // Far in reverse without a shunt the conductance underflows; a least one keeps steps finite.
        g: (gd + diode.gsh).max(f64::MIN_POSITIVE),
        bend: gd * diode.inv_a,
    }
}

/// Voltage and derivatives of a working source at a current: `dV/dI = -Rs - 1/g`,
/// `d2V/dI2 = -g'/g^3` with `g' = dg/dx`.
fn working_drop(diode: &SingleDiode, amps: f64) -> Drop {
    let x = diode.diode_volts(amps);
    let forward = diode.il - amps + diode.i0;
    // The diode's current from the balance where it dominates, else from the exponential.
    let balance = forward - x * diode.gsh;
    let carried = if diode.gsh <= 0.0 || balance > 0.5 * forward {
        balance
    } else {
        (diode.ln_i0 + x * diode.inv_a).exp()
    };
    let gd = carried.max(0.0) * diode.inv_a;
    let inverse = 1.0 / (gd + diode.gsh).max(f64::MIN_POSITIVE);
    Drop {
        volts: x - amps * diode.rs,
        first: -diode.rs - inverse,
        second: -gd * diode.inv_a * inverse * inverse * inverse,
    }
}

fn scaled(crest: Crest, count: f64) -> Crest {
    Crest::at(crest.volts.0 * count, crest.amps.0)
}
