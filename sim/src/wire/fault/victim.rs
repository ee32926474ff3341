//! An instrument at the end of its lines, as a fault sees it.

use super::control::LineControl;
use super::kind::{Fault, Lasting, Place, What};
use super::reply::{Mishap, Spell};
use super::sensor::Sickness;
use crate::time::Instant;
use crate::wire::instrument::{Held, LoadCommands, SupplyCommands};
use crate::wire::serve::ServeError;

/// A line that can be pulled at from outside.
pub trait Line: Send {
    /// The strings of its replies.
    fn control(&self) -> &LineControl;
    /// Ends the conversation; the next one is welcome.
    ///
    /// # Errors
    /// Where the system refuses what the next one needs.
    fn hang_up(&mut self) -> Result<(), ServeError>;
    /// Ends the conversation and refuses others.
    fn take_away(&mut self);
    /// Moves to another number, which the stable name doesn't tell yet.
    ///
    /// # Errors
    /// Where the system has no other.
    fn renumber(&mut self) -> Result<(), ServeError>;
    /// Makes the line reachable by its name again, after [`Line::take_away`] or
    /// [`Line::renumber`].
    ///
    /// # Errors
    /// Where the system has given the place away; try again later.
    fn bring_back(&mut self) -> Result<(), ServeError>;
}

/// The instrument's own part.
pub enum Body {
    /// A load.
    Load(Held<LoadCommands>),
    /// A boost supply.
    Supply(Held<SupplyCommands>),
    /// A sensor.
    Sensor(Sickness),
}

/// An instrument and its lines.
pub struct Victim {
    /// What and where it is.
    pub place: Place,
    /// The instrument.
    pub body: Body,
    /// Its lines, of which it may have several.
    pub lines: Vec<Box<dyn Line>>,
}

impl Victim {
    /// Begins a fault that fits the place.
    ///
    /// # Errors
    /// Where a line can't do what it is asked.
    pub(super) fn begin(&mut self, fault: &Fault, now: Instant) -> Result<(), ServeError> {
        match fault.what {
            What::Replies(mishap) => self.spoil(mishap, fault.lasting),
            What::Dead => self.spoil(Mishap::Silent, fault.lasting),
            What::Closed => return self.lines.iter_mut().try_for_each(|line| line.hang_up()),
            What::Refused => self.lines.iter_mut().for_each(|line| line.take_away()),
            What::Renumbered => return self.lines.iter_mut().try_for_each(|line| line.renumber()),
            What::Sensor(fault) => {
                if let Body::Sensor(sickness) = &self.body {
                    sickness.set(Some(fault), now);
                }
            }
            What::Tripped => {
                if let Body::Load(load) = &self.body {
                    load.trip(fault.lasting != Lasting::Once);
                }
            }
            What::Collapsed => self.collapse(true),
            What::Restarted => self.power(false),
        }
        Ok(())
    }

    /// Ends a fault.
    ///
    /// # Errors
    /// Where a line can't come back yet; try again later.
    pub(super) fn end(&mut self, fault: &Fault, now: Instant) -> Result<(), ServeError> {
        match fault.what {
            What::Replies(_) | What::Dead => {
                self.lines.iter().for_each(|line| line.control().clear_fault());
            }
            What::Closed => {}
            What::Refused | What::Renumbered => {
                return self.lines.iter_mut().try_for_each(|line| line.bring_back());
            }
            What::Sensor(_) => {
                if let Body::Sensor(sickness) = &self.body {
                    sickness.set(None, now);
                }
            }
            What::Tripped => {
                if let Body::Load(load) = &self.body {
                    load.untrip();
                }
            }
            What::Collapsed => self.collapse(false),
            What::Restarted => self.power(true),
        }
        Ok(())
    }

    /// Whether a fault of counted replies has had all of them.
    pub(super) fn has_done(&self, fault: &Fault) -> bool {
        matches!(fault.lasting, Lasting::Replies(_))
            && !self.lines.iter().any(|line| line.control().has_fault())
    }

    fn spoil(&self, mishap: Mishap, lasting: Lasting) {
        let replies = if let Lasting::Replies(replies) = lasting { replies } else { u32::MAX };
        for line in &self.lines {
            line.control().set_fault(Box::new(Spell { mishap, replies }));
        }
    }

    fn collapse(&self, collapsed: bool) {
        if let Body::Supply(supply) = &self.body {
            supply.collapse(collapsed);
        }
    }

    fn power(&self, on: bool) {
        match &self.body {
            Body::Load(load) => load.power(on),
            Body::Supply(supply) => supply.power(on),
            Body::Sensor(_) => {}
        }
    }
}
