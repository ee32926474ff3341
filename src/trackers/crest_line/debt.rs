//! What it may have cost not to look at a place, until a look is due.
//!
//! Model: where another crest can be, a share l of the held power was lacking when somebody looked. Since
//! then that may have moved by a share s: more the longer ago it was, more while the light on the held
//! crest moves, and much once that has risen suddenly, as when a part that was bypassed has its light
//! again. With s as the scale of an exponential law a turn without a look costs s exp(-l / s). These costs
//! are summed up, and a look is due when they have reached what it costs: l for as long as a look takes,
//! and the load's way there and back. Who rents until the rent has reached the price pays at most twice as
//! much as who knows beforehand how long the need lasts (the "ski rental" of competitive analysis, from
//! memory).
//!
//! What light that moves has summed up is void once the light is again what it was: a bird has passed.
//!
//! How large s really is differs by orders of magnitude from scene to scene, so each place learns it, for
//! calm light and for light that moves, from how far its looks were from what was expected.
//!
//! Rejected: equal intervals (too dear for dark crests, too slow for bright ones), intervals from what
//! looks found on the whole (one number for all places, that a single event moves), and a learned rate of
//! success (it is near zero for all places at nearly all times).

/// A look costs that much of a turn beside what the place lacks: the load moves there and back.
pub(super) const LEAST_COST: f64 = 0.08;
/// How far another crest may have moved (share of the power held) in a second without any sign; in each
/// second while the light on the held one moves; for each e-fold that it has moved by. And at most. Shadows
/// that creep or fade do a tenth to ten times that.
const HIDDEN: f64 = 0.0035;
const STIRS: f64 = 0.03;
const SEEN: f64 = 8.0;
const MOST: f64 = 0.5;
/// A look makes these numbers smaller or larger, for a place and a kind of light, by no more than these
/// factors, and in all no more than within these bounds: in calm and in moving light.
const CALMER: f64 = 0.75;
const WILDER: f64 = 1.6;
const ZEAL: [(f64, f64); 2] = [(0.4, 2.0), (0.15, 3.0)];
/// A debt that is due at once.
const PRESSING: f64 = 100.0;

/// What is seen of the light in a turn.
#[derive(Clone, Copy, Debug)]
pub(super) struct Turn {
    /// Since the last turn (s).
    pub(super) seconds: f64,
    /// How long a look takes (turns).
    pub(super) glance: f64,
    /// The logarithm of the light on the held crest, how much it flickers, whether it has just risen.
    pub(super) light: f64,
    pub(super) flicker: f64,
    pub(super) rises: bool,
}

/// What is owed to a place.
#[derive(Clone, Copy, Debug)]
pub(super) struct Debt {
    /// Since somebody looked (s), and the light then.
    age: f64,
    light: f64,
    /// What is summed up in calm light and in light that moves (turns of the power held).
    calm: f64,
    alarm: f64,
    /// For how long that has moved (s), and whether it has risen suddenly since.
    alarmed: f64,
    sprung: bool,
    /// How far the place may have moved (share of the power held).
    may: f64,
    /// What was learned of that: factors for calm light and for light that moves.
    zeal: [f64; 2],
}

impl Debt {
    /// Nothing is owed yet, in this light.
    pub(super) fn none(light: f64) -> Self {
        Self {
            age: 0.0,
            light,
            calm: 0.0,
            alarm: 0.0,
            alarmed: 0.0,
            sprung: false,
            may: 0.0,
            zeal: [1.0; 2],
        }
    }

    /// Since somebody looked (s).
    pub(super) fn age(&self) -> f64 {
        self.age
    }

    /// Time passes (s).
    pub(super) fn pass(&mut self, seconds: f64) {
        self.age += seconds;
    }

    /// The light is what it was when somebody looked.
    pub(super) fn calm(&mut self, light: f64) {
        self.light = light;
    }

    /// Another turn without a look at a place that lacks such a share of the power held; all is expected
    /// `ready` times. Answers how many times a look is due.
    pub(super) fn turn(&mut self, turn: &Turn, lack: f64, (ready, up): (f64, bool)) -> f64 {
        let path = ((turn.light - self.light).abs() - turn.flicker).max(0.0);
        let calm = ready * self.zeal[0] * HIDDEN * self.age;
        let moves = if path > 0.0 { SEEN * path + STIRS * self.alarmed } else { 0.0 };
        self.may = calm + ready * self.zeal[1] * moves.min(MOST);
        self.sprung |= turn.rises && up;
        if self.sprung {
            self.may = self.may.max(ready * MOST);
        }
        let calm = excess(calm, lack);
        self.calm += calm;
        let moves = path > 0.0;
        self.alarm = if moves { self.alarm + excess(self.may, lack) - calm } else { 0.0 };
        self.alarmed = if moves { self.alarmed + turn.seconds } else { 0.0 };
        (self.calm + self.alarm) / (turn.glance * lack.max(0.0) + LEAST_COST)
    }

    /// A look found that the place has moved by so much (share of the power held).
    pub(super) fn judge(&mut self, moved: f64) {
        let kind = usize::from(self.alarm > self.calm);
        let factor = (moved / self.may.max(f64::MIN_POSITIVE)).sqrt();
        let zeal = self.zeal[kind] * super::within(factor, CALMER, WILDER);
        self.zeal[kind] = super::within(zeal, ZEAL[kind].0, ZEAL[kind].1);
    }

    /// A look found a better crest there.
    pub(super) fn found(&mut self) {
        self.judge(f64::INFINITY);
    }

    /// It is known what is there, in this light.
    pub(super) fn settle(&mut self, light: f64) {
        *self = Self { zeal: self.zeal, ..Self::none(light) };
    }

    /// The next turn looks there.
    pub(super) fn press(&mut self) {
        self.calm = PRESSING;
    }
}

/// The expected excess over `lack` of what is exponential with the mean `may`; above a lack of less than
/// nothing it is what is missed anyway, and that.
fn excess(may: f64, lack: f64) -> f64 {
    if lack > 0.0 { may * (-lack / may).exp() } else { may - lack }
}
