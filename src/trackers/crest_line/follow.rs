//! On the line: one reading after the other, and what is learned from each.
//!
//! Model: see the module's head. A reading is put among the [`super::past`] looks, the difference of
//! the last four teaches the line, and the next wish is the line's voltage a little ahead of time.

use super::line::Line;
use super::past::{Contrast, Look};
use super::scan::{Reading, Scan};
use super::search::Quest;
use super::shape::Shape;
use super::signs::Moment;
use super::strikes::Strike;
use super::{CrestLine, Doing, within};
use crate::trackers::{Observation, Wish};

/// Dither over the line's standard deviation: with the dither e in balance with the error it leaves,
/// whose variance goes as e^(-2/3) squared, e^2 + variance is least at 1 / sqrt(2).
const DITHER: f64 = std::f64::consts::FRAC_1_SQRT_2;
/// Bounds of the dither (share of the voltage): the least costs kappa e^2 = 3e-6 and is some steps of
/// usual loads; the largest 2e-3.
const LEAST_DITHER: f64 = 6e-4;
const MOST_DITHER: f64 = 0.02;
/// How far ahead J is extrapolated, in turns: from the reading to the middle of the next holding time.
const LEAD: f64 = 0.6;
/// J is not extrapolated to beyond these multiples.
const LEAP: (f64, f64) = (0.5, 2.0);
/// A change of J is believed in full when it is so many standard deviations of a look's noise.
const SURE: f64 = 3.0;
/// Variance that the uneven part adds, over its square: it bounds a kink's effect, and the filter
/// shall hardly move for one.
const UNEVEN: f64 = 10.0;
/// How far the shape's bend may be wrong, as a share.
const MISSHAPE: f64 = 0.3;
/// Variance of one difference over that of a look: (1 + 9 + 9 + 1) / 64.
const DIFFERENCE: f64 = 0.3125;
/// A difference beyond so many standard deviations (squared) says that the filter is too certain;
/// its variance grows by at most this factor.
const SURPRISE: f64 = 25.0;
const MOST_DOUBT: f64 = 8.0;
/// Differences that lean to one side say so, too: when their mean over so many, in standard deviations, is
/// beyond that (four of its own). The variance grows by this factor.
const LEANING: f64 = 8.0;
const LEANS: f64 = 1.0;
const LEAN_DOUBT: f64 = 2.0;
/// Once a search has found the crest, one difference moves the line no further (share of its voltage): what
/// says more is light that flickers, or the slope beside a crest, where the curve is no parabola.
const FARTHEST: f64 = 0.02;
/// Steps of the inference of J: each is right to a tenth of the one before.
const INFERENCES: u32 = 4;
const AGAIN: u32 = 2;
/// J can't fall below this share within a turn, or the logarithm runs away on a dead reading.
const FALL: f64 = 0.05;
/// The shape is taken from the crest's share of Voc when the line is so certain (share), and the light
/// as it was when Voc was measured (share).
const SHAPED: f64 = 0.01;
const SAME_LIGHT: f64 = 0.1;
/// A voltage with at least this share of the crest's current is proven to lie below Voc.
const HALF: f64 = 0.5;
/// A line that leads so far above the ceiling leads nowhere.
const LOST: f64 = 1.3;
/// A line that leads below this share of Voc leads nowhere: eight parts in shade but one.
const LOWEST: f64 = 0.08;
/// A setpoint this near the wish (share of Voc) is the wish.
const GRANTED: f64 = 1e-6;

impl CrestLine {
    /// One reading on the line.
    pub(super) fn follow(&mut self, seen: &Observation, volts: f64, amps: f64) -> Wish {
        let Some(mut line) = self.line.take() else { return self.land(volts, amps) };
        let before = self.past.last().copied();
        let seconds =
            before.map_or(0.0, |before| seen.at.saturating_since(before.at).as_secs_f64());
        line.pass(seconds);
        if seconds > 0.0 {
            self.turn = seconds;
        }
        let set = seen.setpoint.0 / self.scale;
        let granted = (set - self.wish).abs() <= GRANTED;
        let mut look = Look {
            at: seen.at,
            volts,
            set,
            amps: amps.max(before.map_or(0.0, |before| FALL * before.crest)),
            dither: if granted { self.dither } else { 0.0 },
            ..Look::default()
        };
        look.crest = look.amps;
        self.infer(&line, &mut look, INFERENCES);
        line.refer(look.crest);
        let strike = before
            .map_or(Strike::None, |before| self.watch.struck(before.crest, look.crest, seconds));
        if strike != Strike::None {
            // What passes within a turn or two is no answer to a dither.
            self.past.clear();
        }
        self.past.push(look);
        if let Some(told) = self.past.contrast() {
            self.learn(&mut line, &told);
        }
        let crest = self.past.last().map_or(look.crest, |look| look.crest);
        self.take_shape(&line, crest);
        let aim = line.at(crest).volts;
        if amps > HALF * crest {
            self.proven = self.proven.max(volts);
        }
        if !(aim > LOWEST * self.open && aim < LOST * self.ceiling(crest)) {
            return self.get_lost();
        }
        let flicker = self.noise.share(crest);
        let (held, open) = ((volts, amps), self.open);
        let moment =
            Moment { seconds, glance: self.glance, crest: (aim, crest), held, open, flicker };
        let wish = match self.watch.turn(&line, &moment) {
            Quest::Nothing if strike == Strike::Lasts => {
                self.dither = 0.0;
                self.go(self.wish, crest)
            }
            Quest::Nothing => self.ahead(&line, crest),
            Quest::Lost => return self.get_lost(),
            quest => self.quest(quest, &line, (volts, amps), crest),
        };
        self.line = Some(line);
        wish
    }

    /// Begins a search or a look.
    fn quest(&mut self, quest: Quest, line: &Line, held: Reading, crest: f64) -> Wish {
        let (cap, rungs) = (self.watch.cap(), self.watch.rungs());
        let (mut scan, mut first) = Scan::begin(held, self.open, cap, rungs);
        if let Quest::Look(look) = quest {
            scan = scan.look(look).unless_past(self.watch.past());
            first = Some(look.0);
        }
        self.sought = crest;
        let Some(first) = first else {
            return self.found(line.clone(), &scan);
        };
        self.doing = Doing::Searching(scan);
        self.dither = 0.0;
        // The first one shows the current at low voltage: where the load is still on its way down to that, a
        // crest is missed.
        if cap.is_none() { self.go(first, crest) } else { self.glance(first, crest) }
    }

    /// The line's voltage a little ahead of time, dithered.
    pub(super) fn ahead(&mut self, line: &Line, crest: f64) -> Wish {
        let change = self.past.change().unwrap_or(0.0);
        let doubt = SURE * self.noise.amps();
        let sure = change * change / (change * change + doubt * doubt).max(f64::MIN_POSITIVE);
        let next = (crest + LEAD * change * sure).max(LEAP.0 * crest).min(LEAP.1 * crest);
        let point = line.at(next);
        let size = DITHER * line.deviation(&point) / point.volts;
        let size = within(size, LEAST_DITHER, MOST_DITHER);
        self.up = !self.up;
        self.dither = if self.up { size } else { -size };
        // Room for the dither below the ceiling, or nothing could be learned there.
        let base = point.volts.min(self.ceiling(next) / (1.0 + size));
        self.go(base * (1.0 + self.dither), next)
    }

    /// What the dither's answer says about the line.
    fn learn(&mut self, line: &mut Line, told: &Contrast) {
        self.noise.note(told.uneven, told.mean);
        if !self.noise.is_known() {
            return;
        }
        let bend = 2.0 * self.shape.kappa();
        let gain = bend * told.dither;
        let point = line.at(told.mean);
        let error = line.deviation(&point) / point.volts;
        let noise = self.noise.share(told.mean).powi(2);
        let extra = UNEVEN * told.uneven.powi(2)
            + (bend * (told.away - told.dither) * error).powi(2)
            + (MISSHAPE * self.shape.kappa() * told.square).powi(2);
        let expected = (gain * error).powi(2);
        let size = told.found.powi(2);
        if size > SURPRISE * (expected + DIFFERENCE * noise + extra) {
            let doubt = (size / 4.0 - noise - extra) / expected.max(f64::MIN_POSITIVE);
            line.doubt(within(doubt, 1.0, MOST_DOUBT));
        }
        let deviations = told.found * gain.signum() / (expected + noise + extra).sqrt();
        self.leaning += (deviations - self.leaning) / LEANING;
        if self.leaning.abs() > LEANS {
            self.leaning = 0.0;
            line.doubt(LEAN_DOUBT);
        }
        let farthest = if self.watch.has_searched() { FARTHEST } else { f64::MAX };
        line.learn(&point, gain, (told.found, noise + extra), farthest);
        // The looks that come again in the next difference, seen from the new line.
        let mut past = std::mem::take(&mut self.past);
        for look in past.looks_mut() {
            self.infer(line, look, AGAIN);
        }
        self.past = past;
    }

    /// The crest's current at the moment of `look`, from its own as the first guess.
    fn infer(&self, line: &Line, look: &mut Look, steps: u32) {
        for _ in 0..steps {
            let volts = line.at(look.crest).volts;
            look.crest = look.amps / self.shape.at(look.volts / volts - 1.0);
        }
        look.away = look.set / line.at(look.crest).volts - 1.0;
    }

    /// Once: the shape, from the crest's share of the open-circuit voltage.
    fn take_shape(&mut self, line: &Line, crest: f64) {
        let same = |at: f64| (crest / at - 1.0).abs() < SAME_LIGHT;
        let point = line.at(crest);
        if !self.shaped && self.open_at.is_some_and(same) && line.deviation(&point) < SHAPED {
            self.shape = Shape::from_share(point.volts / self.open);
            self.shaped = true;
        }
    }
}
