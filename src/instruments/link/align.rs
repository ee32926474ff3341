//! Bringing question and answer back into step, with proof.
//!
//! Model: after `*ESE n;*ESE?` the answer to this very question is n. Answers come in the order
//! of the questions, so once n has arrived every earlier answer has, too. A stale answer
//! could be n by chance (1 in 200): two rounds in succession with different numbers must be
//! answered at once and rightly.

use super::error::Broken;
use super::{Excerpt, Link, LinkError, LinkSettings};
use std::io::Write as _;
use std::time::Duration;
use tokio::time::Instant;

/// How long the line must be silent before the first question; instruments that measure over a few
/// power-line cycles answer within this.
const SILENCE: Duration = Duration::from_millis(200);
/// How long to wait for silence: longer than any reply at 9600 baud.
const SILENCE_DEADLINE: Duration = Duration::from_secs(5);
/// How long to wait for each number.
const TOKEN_DEADLINE: Duration = Duration::from_secs(1);
/// How many numbers to try.
const TRIES: u32 = 6;
/// How many tries without a single byte in answer are enough to call the instrument silent.
const SILENT_TRIES: u32 = 3;
/// How many numbers in succession must come back at once.
const ROUNDS: u32 = 2;
/// How many stale lines one try passes over; more is an instrument that talks by itself.
const STALE_LINES: u32 = 64;
/// The numbers lie in 2..=254: 0, 1 and 255 are what other registers and switches answer.
const TOKENS: std::ops::RangeInclusive<u8> = 2..=254;

/// Where a link begins counting; differs each time a line is opened, so that an answer left over
/// from the time before is unlikely to fit. Within the program it is the same in each run.
pub(super) fn first_token(settings: &LinkSettings) -> u8 {
    let draw = match settings {
        LinkSettings::Within(within) => within.opened().wrapping_mul(37),
        _ => std::time::SystemTime::now()
            .duration_since(std::time::UNIX_EPOCH)
            .map_or(0, |now| now.subsec_micros()),
    };
    TOKENS.start() + u8::try_from(draw % 200).unwrap_or_default()
}

/// The next number: far from the last, and no repetition within 253 tries (89 and 253 have no common
/// divisor).
fn next_token(token: u8) -> u8 {
    const STEP: u16 = 89;
    let count = u16::from(*TOKENS.end() - *TOKENS.start()) + 1;
    let next = (u16::from(token - TOKENS.start()) + STEP) % count;
    TOKENS.start() + u8::try_from(next).unwrap_or_default()
}

impl Link {
    /// Brings question and answer back into step and proves it. The instrument's error queue and
    /// event registers are cleared; nothing else of it changes. Afterwards the caller makes sure of
    /// the identity, since another instrument may be on the line by now.
    ///
    /// # Errors
    /// [`LinkError`]; the link stays out of step.
    pub async fn resynchronise(&mut self) -> Result<(), LinkError> {
        self.in_step = false;
        let until = Instant::now() + SILENCE_DEADLINE;
        self.out.clear();
        let drained = self.line.drain(SILENCE, until).await;
        drained.map_err(|broken| self.error(broken, &[], SILENCE_DEADLINE))?;
        // The newline ends a message that was cut off in the middle.
        self.out.extend_from_slice(if self.whole_messages { b"*CLS\n" } else { b"\n*CLS\n" });
        let sent = self.line.write(&self.out, Instant::now() + super::WRITE_DEADLINE).await;
        sent.map_err(|broken| self.error(broken, &[], super::WRITE_DEADLINE))?;
        self.seen.clear();
        let (mut rounds, mut silent) = (0, 0);
        for _ in 0..TRIES {
            match self.try_token().await {
                Ok(first) => (rounds, silent) = (if first { rounds + 1 } else { 0 }, 0),
                Err(broken @ Broken::Deadline) => {
                    (rounds, silent) = (0, silent + 1);
                    if silent == SILENT_TRIES && self.seen.is_empty() {
                        return Err(self.error_aligning(broken));
                    }
                }
                Err(broken) => return Err(self.error_aligning(broken)),
            }
            if rounds == ROUNDS {
                return self.leave_aligned().await;
            }
        }
        Err(LinkError::NotAligned {
            address: self.address.clone(),
            command: Excerpt::of(&self.out),
            got: Excerpt::of(&self.seen),
            tries: TRIES,
        })
    }

    fn error_aligning(&self, broken: Broken) -> LinkError {
        self.error(broken, &self.scratch, TOKEN_DEADLINE)
    }

    /// Sends the next number and reads until it comes back; tells whether it was the first line.
    async fn try_token(&mut self) -> Result<bool, Broken> {
        self.token = next_token(self.token);
        self.out.clear();
        writeln!(self.out, "*ESE {0};*ESE?", self.token).expect("writing to memory does not fail");
        self.scratch.clear();
        let deadline = Instant::now() + TOKEN_DEADLINE;
        self.line.write(&self.out, deadline).await?;
        for line in 0..STALE_LINES {
            self.line.read_line(&mut self.scratch, deadline).await?;
            let number = crate::scpi::Field(&self.scratch).integer();
            if number == Ok(self.token.into()) {
                return Ok(line == 0);
            }
            std::mem::swap(&mut self.seen, &mut self.scratch);
        }
        Ok(false)
    }

    /// The register that served as proof goes back to what it is after power-on.
    async fn leave_aligned(&mut self) -> Result<(), LinkError> {
        self.in_step = true;
        self.send(b"*ESE 0;*CLS").await
    }
}
