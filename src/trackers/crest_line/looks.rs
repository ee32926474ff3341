//! Looks at other crests while one is held, and when they are worth their price.
//!
//! Model: under shade another crest can grow without a sign: what is bypassed, and what is nearly at
//! open circuit, hardly shows in the crest that is held. So it is looked at, one glance at each of a few
//! places: the rungs ([`super::rungs`]); the shoulder of the held crest, where no higher crest can be
//! better unless the current is above what is left there of the held one's; and, for humps that nobody
//! has met, two places further down. When a look is worth its price, [`super::debt`] says. So crests that
//! are nearly as good are looked at often and for next to nothing, and dark ones seldom; and where even the
//! brightest light of late would be too little, nobody looks.
//!
//! A crest that has been growing from look to look, or that the held one falls below, is looked at when
//! it is expected to be better. The one that was held last is looked at once when the light springs up to
//! more than there was since: a part has its light again. A look that finds more at a rung where a crest was
//! held goes there, after one more reading beside it; no search follows, for the other rungs have their own
//! debts.
//!
//! Rejected: a full search each time (some ten glances in place of one).

use super::debt::{self, Debt, LEAST_COST};
use super::light::Light;
use super::rungs::{Rung, Rungs};
use super::scan::{Reading, Scan, power};
use super::shape::Shape;
use super::signs::Moment;

/// What is expected of a look's current may be passed by this factor.
const AGREES: f64 = 1.04;
/// Where the crest of the whole row lies at most, as a share of Voc; there is none above one that is
/// held beyond this share of it.
const TOP: f64 = 0.84;
const AT_TOP: f64 = 0.93;
/// How the shoulder is moved (share of the voltage), so that what is left there of the held crest's
/// current is just below what a higher crest must have; at most.
const MOVES: f64 = 0.02;
const MOVED: f64 = 0.08;
/// Where it looks further down (shares of the voltage held).
const DOWN: [f64; 2] = [0.62, 0.3];
/// Crests of two humps lie at least so far apart (factor): of a row of twelve parts, and as a rule.
const NEXT: f64 = 1.07;
const GAP: f64 = 1.1;
/// A crest that was held for so long (s) and is known so well (share) is a rung.
pub(super) const SETTLES: f64 = 2.0;
const SURE: f64 = 0.01;
/// From so many rungs on, which tell how far they are apart, every second search is of rungs only.
const TELLING: usize = 3;
/// While there is no shade, only some time after it, so much is expected (factor).
const RARE: f64 = 0.5;
/// And so much at places that are no rungs, where there are rungs.
const STRANGE: f64 = 0.1;

/// What was looked at: a rung, the shoulder, or a place further down, by their index.
#[derive(Clone, Copy, Debug)]
enum Asked {
    Rung(usize),
    Shoulder,
    Below(usize),
    /// Where the power was a moment ago.
    Peak,
}

/// A place that is no rung: what was seen there (A), and what is owed to it.
#[derive(Clone, Copy, Debug)]
struct Place {
    amps: f64,
    debt: Debt,
}

impl Place {
    /// Nothing is known of it in that light.
    fn new(light: f64) -> Self {
        Self { amps: 0.0, debt: Debt::none(light) }
    }

    fn saw(&mut self, amps: f64, light: f64) {
        self.amps = amps;
        self.debt.settle(light);
    }
}

/// Whether there is no shade, only some time ago; and whether nothing has changed since that was seen.
#[derive(Clone, Copy, Debug)]
pub(super) struct Calm {
    pub(super) rare: bool,
    pub(super) even: bool,
    /// No current is larger (A).
    pub(super) cap: f64,
}

/// A look: at which voltage (share of Voc), the current above which it is a surprise (A), and whether a
/// better crest there is gone to without a search.
pub(super) type Look = (f64, f64, bool);

/// The places to look at.
#[derive(Clone, Debug)]
pub(super) struct Looks {
    rungs: Rungs,
    shoulder: Place,
    /// How far beyond where it is by the shape it is looked for (share).
    beyond: f64,
    below: [Place; 2],
    light: Light,
    asked: Asked,
    /// Whether the crest that is held is among the rungs.
    noted: bool,
    /// Whether the last search was one of rungs only.
    quick: bool,
}

impl Looks {
    pub(super) fn new() -> Self {
        Self {
            rungs: Rungs::default(),
            shoulder: Place::new(0.0),
            beyond: 0.0,
            below: [Place::new(0.0); 2],
            light: Light::default(),
            asked: Asked::Shoulder,
            noted: false,
            quick: false,
        }
    }

    /// Time passes (s).
    pub(super) fn pass(&mut self, seconds: f64) {
        let rungs = self.rungs.all_mut().iter_mut().map(|rung| &mut rung.debt);
        let others = self.below.iter_mut().chain([&mut self.shoulder]).map(|place| &mut place.debt);
        rungs.chain(others).for_each(|debt| debt.pass(seconds));
    }

    /// The crest at `volts` has been held for a while, known to `deviation`.
    pub(super) fn hold(&mut self, volts: f64, deviation: f64) {
        if !self.noted && deviation < SURE * volts {
            self.noted = true;
            self.rungs.note(volts, true);
        }
    }

    /// The look that is most worth its price now, if one is, and how many times that.
    pub(super) fn due(&mut self, seen: &Moment, calm: &Calm) -> Option<(Look, f64)> {
        let held = seen.held;
        self.light.turn(power(held), seen.flicker);
        let (light, rises) = (self.light.now(), self.light.rises());
        let springs = self.light.springs();
        let turn = debt::Turn {
            seconds: seen.seconds,
            glance: seen.glance,
            light,
            flicker: seen.flicker,
            rises,
        };
        let top = TOP * seen.open;
        let is_highest = held.0 > AT_TOP * top;
        let near = held.0 / NEXT..held.0 * NEXT;
        let can = |volts: f64| volts * calm.cap > power(held);
        let rungs = self.rungs.all();
        let is_known = |up: bool| {
            let far = |rung: &Rung| (rung.volts > held.0) == up && !near.contains(&rung.volts);
            rungs.iter().any(far)
        };
        let (above, below, alone) = (is_known(true), is_known(false), rungs.len() > 1);
        let usual = if calm.rare { RARE } else { 1.0 };
        let mut due = (1.0, None);
        let mut owe = |debt: &mut Debt, share: f64, strange: bool, (asked, look): (Asked, Look)| {
            let ready = usual * if strange { STRANGE } else { 1.0 };
            let times = debt.turn(&turn, 1.0 - share, (ready, look.0 > held.0));
            if times > due.0 {
                due = (times, Some((asked, look)));
            }
        };
        for (index, rung) in self.rungs.all_mut().iter_mut().enumerate() {
            let up = rung.volts > held.0;
            if near.contains(&rung.volts) || is_highest && up || !can(rung.volts) {
                continue;
            }
            if calm.even && !up {
                rung.assume(held.1, light);
            }
            let share = rung.expected() / power(held);
            if rung.last && up && springs {
                rung.debt.press();
            }
            let look = (rung.next(), f64::INFINITY, alone && rung.held);
            owe(&mut rung.debt, share, false, (Asked::Rung(index), look));
        }
        if !is_highest {
            // The current that the highest crest must have.
            let enough = power(held) / top;
            let reach = Shape::default().reach(enough / held.1);
            let volts = held.0 * (1.0 + reach) * (1.0 + self.beyond);
            let look = (volts, AGREES * enough.max(self.shoulder.amps), false);
            let share = power((volts, enough)) / power(held);
            owe(&mut self.shoulder.debt, share, above, (Asked::Shoulder, look));
        }
        for (index, place) in self.below.iter_mut().enumerate() {
            let volts = DOWN[index] * held.0;
            if can(volts) {
                let look = (volts, AGREES * place.amps.max(GAP * held.1), false);
                let share = power((volts, place.amps.max(held.1))) / power(held);
                let share = share.min(1.0 - LEAST_COST);
                owe(&mut place.debt, share, below, (Asked::Below(index), look));
            }
        }
        let (times, due) = due;
        let (asked, look) = due?;
        self.asked = asked;
        Some((look, times))
    }

    /// A look at where the power was a moment ago.
    pub(super) fn back(&mut self, volts: f64) -> Look {
        self.asked = self.rungs.index_at(volts).map_or(Asked::Peak, Asked::Rung);
        (volts, f64::INFINITY, true)
    }

    /// What is owed to the place that was looked at.
    fn asked(&mut self) -> Option<&mut Debt> {
        match self.asked {
            Asked::Rung(index) => self.rungs.all_mut().get_mut(index).map(|rung| &mut rung.debt),
            Asked::Shoulder => Some(&mut self.shoulder.debt),
            Asked::Below(index) => Some(&mut self.below[index].debt),
            Asked::Peak => None,
        }
    }

    /// A look is over that showed nothing better than what is `held`.
    pub(super) fn looked(&mut self, seen: Reading, held: Reading, open: f64) {
        let enough = power(held) / (TOP * open);
        let light = self.light.now();
        let expected = match self.asked {
            Asked::Rung(index) => self.rungs.all().get(index).map_or(0.0, Rung::expected),
            _ => power(seen),
        };
        if let Some(debt) = self.asked() {
            debt.judge((power(seen) - expected).abs() / power(held));
        }
        match self.asked {
            Asked::Rung(index) => {
                self.rungs.looked(index, seen, light);
                // With less than that nothing further up is better, or nothing up to the held crest.
                let up = seen.0 > held.0;
                let (least, until) =
                    if up { (enough, f64::INFINITY) } else { (GAP * held.1, held.0) };
                let others = self.rungs.all_mut().iter_mut().filter(|rung| {
                    seen.1 < least && rung.debt.age() > 0.0 && (seen.0..until).contains(&rung.volts)
                });
                others.for_each(|rung| rung.bounded(rung.amps.min(seen.1), light));
            }
            Asked::Shoulder => {
                self.shoulder.saw(seen.1, light);
                if seen.1 > enough {
                    self.beyond = (self.beyond + MOVES).min(MOVED);
                }
            }
            Asked::Below(index) => self.below[index].saw(seen.1, light),
            Asked::Peak => {}
        }
    }

    /// Whether this is so low that shade would show there, while `held` is held.
    pub(super) fn is_low(&self, volts: f64, held: f64) -> bool {
        let lowest = self.rungs.all().first().is_none_or(|rung| volts < GAP * rung.volts);
        lowest && volts < GAP * DOWN[0] * held
    }

    /// A look found a better crest that is held from now on. If the current of the one held until now fell
    /// just `before` from that (A), it is looked at once more at once: what passes is past by now.
    pub(super) fn switched(&mut self, scan: &Scan, before: Option<f64>) {
        self.found();
        let light = self.light.now();
        if let Some(debt) = self.asked() {
            debt.settle(light);
        }
        let (volts, amps) = scan.held();
        let left = self.rungs.left((volts, before.unwrap_or(amps)), light, self.noted);
        if let (Some(rung), true) = (left, before.is_some()) {
            rung.debt.press();
        }
        self.leave();
        self.noted = false;
    }

    /// The look was worth more than its price.
    fn found(&mut self) {
        if let Some(debt) = self.asked() {
            debt.found();
        }
    }

    /// Another crest is held from now on.
    fn leave(&mut self) {
        self.light.cut();
        (self.shoulder, self.beyond) = (Place::new(self.light.now()), 0.0);
    }

    /// What a search has shown; `held` is held from now on.
    pub(super) fn searched(&mut self, scan: &Scan, held: Reading) {
        let better = scan.better().is_some();
        if scan.surprised() && better {
            self.found();
        }
        for rival in scan.rivals(held).into_iter().flatten() {
            self.rungs.note(rival.0, false);
        }
        self.quick = !scan.was_thorough();
        if better {
            self.leave();
        }
        let light = self.light.now();
        for rung in self.rungs.all_mut().iter_mut().filter(|rung| scan.covers(rung.volts)) {
            rung.bounded(scan.amps_at(rung.volts), light);
        }
        for (place, share) in self.below.iter_mut().zip(DOWN) {
            if scan.covers(share * held.0) {
                place.saw(scan.amps_at(share * held.0), light);
            }
        }
        if let (false, true, Some(first)) = (better, scan.surprised(), scan.first()) {
            // A surprise that led to nothing is none the next time.
            match self.asked {
                Asked::Shoulder => self.shoulder.saw(first.1, light),
                Asked::Below(index) => self.below[index].saw(first.1, light),
                Asked::Rung(_) | Asked::Peak => {}
            }
        }
        self.noted = false;
    }

    /// The rungs, and whether the next search is of them only.
    pub(super) fn rungs(&self) -> (Rungs, bool) {
        (self.rungs, self.rungs.all().len() >= TELLING && !self.rungs.is_full() && !self.quick)
    }
}
