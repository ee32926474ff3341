//! What becomes of replies on their way out.

use std::time::Duration;

/// What becomes of a reply.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// It goes out as it is now.
    Sent,
    /// It goes out this much later; the instrument is busy until then.
    Late(Duration),
    /// It never goes out.
    Lost,
}

/// Something that meddles with replies.
pub trait LineFault: Send {
    /// One reply, with its newline; never empty.
    fn meddle(&mut self, reply: &mut Vec<u8>) -> Fate;

    /// Whether it has done all it will ever do.
    fn is_over(&self) -> bool {
        false
    }
}

impl<F: FnMut(&mut Vec<u8>) -> Fate + Send> LineFault for F {
    fn meddle(&mut self, reply: &mut Vec<u8>) -> Fate {
        self(reply)
    }
}

/// One kind of mishap.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mishap {
    /// No answer.
    Silent,
    /// The answer comes this much too late.
    Late(Duration),
    /// Some bytes arrive with their top bit set, as a wrong baud rate or a bad contact makes them.
    Garbled,
    /// Only the first bytes arrive, without newline.
    Truncated(usize),
    /// The answer arrives twice.
    Doubled,
}

/// Every how many bytes a garbled reply is hit.
const GARBLED_EVERY: usize = 3;

/// A mishap that happens to the next few replies, after which the line is sound again.
///
/// ```
/// use cresthold_sim::wire::fault::{Fate, LineFault, Mishap, Spell};
/// let mut spell = Spell { mishap: Mishap::Truncated(2), replies: 1 };
/// let mut reply = b"12.5\n".to_vec();
/// assert_eq!(spell.meddle(&mut reply), Fate::Sent);
/// assert_eq!((reply.as_slice(), spell.is_over()), (&b"12"[..], true));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spell {
    /// What happens.
    pub mishap: Mishap,
    /// To how many replies.
    pub replies: u32,
}

impl LineFault for Spell {
    fn meddle(&mut self, reply: &mut Vec<u8>) -> Fate {
        let Some(left) = self.replies.checked_sub(1) else {
            return Fate::Sent;
        };
        self.replies = left;
        match self.mishap {
            Mishap::Silent => return Fate::Lost,
            Mishap::Late(wait) => return Fate::Late(wait),
            Mishap::Garbled => {
                let text = reply.len().saturating_sub(1);
                reply[..text].iter_mut().step_by(GARBLED_EVERY).for_each(|byte| *byte |= 0x80);
            }
            Mishap::Truncated(length) => reply.truncate(length),
            Mishap::Doubled => reply.extend_from_within(..),
        }
        Fate::Sent
    }

    fn is_over(&self) -> bool {
        self.replies == 0
    }
}
