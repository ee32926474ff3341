//! The light on the crest that is held, as its power shows it.
//!
//! Model: the logarithm of the power, summed up from turn to turn on one crest, so that it goes on over a
//! change to another. The power is right to the second order where the current of a crest that was just
//! found is not. It is smoothed while it stays within its flicker, and followed at once where it leaps.

/// The light follows by this share in a turn, or at once when it changes by more than [`JUMP`] (logarithm)
/// or so many times its flicker.
const FOLLOWS: f64 = 0.25;
const JUMP: f64 = 0.01;
const FLICKERS: f64 = 5.0;
/// It rises suddenly when it is by more in one turn (logarithm), to more than there was since the crest is
/// held: a cloud's sharpest edge does 0.045 of full light in 100 ms, so under shade it may be taken for that.
const RISES: f64 = 0.02;
/// A part that has its light again takes a crest's current to what its hump has at low voltage: by 0.06 in
/// all (computed), in one turn or two.
const SPRINGS: f64 = 0.03;

/// The light since the beginning (logarithm).
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Light {
    /// The power a turn ago.
    before: f64,
    raw: f64,
    smooth: f64,
    rises: bool,
    springs: bool,
    /// The most since the crest is held.
    most: f64,
}

impl Light {
    /// Another turn at this power, that flickers by such a share.
    pub(super) fn turn(&mut self, watts: f64, flicker: f64) {
        let change = (watts / self.before).ln();
        self.before = watts;
        if !change.is_finite() {
            return;
        }
        self.raw += change;
        let away = self.raw - self.smooth;
        let leaps = away.abs() > JUMP.max(FLICKERS * flicker);
        self.smooth += away * if leaps { 1.0 } else { FOLLOWS };
        let beyond = self.raw > self.most;
        (self.rises, self.springs) = (change > RISES && beyond, change > SPRINGS && beyond);
        self.most = self.most.max(self.raw);
    }

    /// Another crest is held from now on.
    pub(super) fn cut(&mut self) {
        (self.before, self.rises, self.springs) = (0.0, false, false);
        (self.smooth, self.most) = (self.raw, self.raw);
    }

    pub(super) fn now(&self) -> f64 {
        self.smooth
    }

    /// Whether it has just risen suddenly.
    pub(super) fn rises(&self) -> bool {
        self.rises
    }

    /// Whether it has just risen as it does when a part that was bypassed has its light again.
    pub(super) fn springs(&self) -> bool {
        self.springs
    }
}
