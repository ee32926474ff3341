//! Headers: short and long forms, numeric suffixes, and the path that compound messages inherit.
//!
//! Model: a command is known by a pattern as manuals print it, `[SOURce:]VOLTage[:LEVel]`: capital
//! letters are the short form, brackets hold nodes that may be left out. A header's nodes are looked
//! up from the current path (SCPI-1999 volume 1, 6.2.4): the path starts at the root, a leading
//! colon returns to it, every header leaves its nodes but the last as the next path, and a common
//! command (`*CLS`) leaves the path alone.

use super::{Header, StandardError};

/// Longest mnemonic (IEEE 488.2-1992, 7.6.1.4.1); more is error -112.
pub const MAX_MNEMONIC: usize = 12;
/// Deepest path; SCPI-1999's deepest commands have fewer nodes.
pub const MAX_DEPTH: usize = 8;

/// Whether `word` is the short or the long form of `form`, written `VOLTage`, whatever its case
/// (SCPI-1999 volume 1, 6.2.1: these two and nothing between them).
///
/// ```
/// # use cresthold_sim::scpi::mnemonic_matches;
/// assert!(mnemonic_matches("VOLTage", b"volt"));
/// assert!(mnemonic_matches("VOLTage", b"Voltage"));
/// assert!(!mnemonic_matches("VOLTage", b"VOLTA"));
/// ```
#[must_use]
pub fn mnemonic_matches(form: &str, word: &[u8]) -> bool {
    let long = form.as_bytes();
    let short = long.iter().take_while(|byte| !byte.is_ascii_lowercase()).count();
    word.eq_ignore_ascii_case(long) || word.eq_ignore_ascii_case(&long[..short])
}

/// A header's place in the command tree: its nodes from the root on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Resolved<'a> {
    nodes: [&'a [u8]; MAX_DEPTH],
    depth: usize,
    /// Whether it is a common command; its one node is the word after the asterisk.
    pub common: bool,
    /// Whether it ends in a question mark.
    pub query: bool,
}

impl<'a> Resolved<'a> {
    /// The nodes, with their numeric suffixes, as they were written.
    #[must_use]
    pub fn nodes(&self) -> &[&'a [u8]] {
        &self.nodes[..self.depth]
    }

    fn push(&mut self, node: &'a [u8]) -> Result<(), StandardError> {
        let place = self.nodes.get_mut(self.depth).ok_or(StandardError::UndefinedHeader)?;
        *place = node;
        self.depth += 1;
        Ok(())
    }
}

/// The current path within one program message.
#[derive(Clone, Copy, Debug)]
pub struct Path<'a> {
    nodes: [&'a [u8]; MAX_DEPTH],
    depth: usize,
}

impl<'a> Path<'a> {
    /// The path at the start of every program message.
    #[must_use]
    pub const fn root() -> Self {
        Self { nodes: [&[]; MAX_DEPTH], depth: 0 }
    }

    /// Looks `header` up from here and moves the path to where the next header is looked up.
    ///
    /// # Errors
    /// -113 for a header deeper than [`MAX_DEPTH`]; the path stays.
    pub fn enter(&mut self, header: &Header<'a>) -> Result<Resolved<'a>, StandardError> {
        let inherited = if header.common || header.absolute { 0 } else { self.depth };
        let mut resolved = Resolved {
            nodes: self.nodes,
            depth: inherited,
            common: header.common,
            query: header.query,
        };
        for node in header.nodes() {
            resolved.push(node)?;
        }
        if !header.common {
            self.nodes = resolved.nodes;
            self.depth = resolved.depth.saturating_sub(1);
        }
        Ok(resolved)
    }
}

/// A command as manuals print it: `[SOURce:]VOLTage[:LEVel]`; each bracket holds one node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pattern(pub &'static str);

/// One node of a pattern, and what follows it.
struct Node {
    form: &'static str,
    optional: bool,
    rest: &'static str,
}

/// The first node of a pattern's remainder.
fn first_node(pattern: &'static str) -> Option<Node> {
    let start = pattern.find(|letter: char| letter.is_ascii_alphanumeric())?;
    let tail = &pattern[start..];
    let length = tail.find(|letter: char| !letter.is_ascii_alphanumeric()).unwrap_or(tail.len());
    let rest = &tail[length..];
    let optional = pattern[..start].contains('[');
    Some(Node { form: &tail[..length], optional, rest })
}

/// A node's letters and its numeric suffix, 1 where it has none (SCPI-1999 volume 1, 6.2.5.2).
fn split_suffix(node: &[u8]) -> (&[u8], u32) {
    let letters = node.iter().rposition(|byte| !byte.is_ascii_digit()).map_or(0, |last| last + 1);
    let digits = &node[letters..];
    if digits.is_empty() {
        return (node, 1);
    }
    let suffix = digits
        .iter()
        .fold(0_u32, |sum, digit| sum.saturating_mul(10).saturating_add(u32::from(digit - b'0')));
    (&node[..letters], suffix)
}

fn matches_from(pattern: &'static str, nodes: &[&[u8]], suffixes: bool) -> bool {
    let Some(Node { form, optional, rest }) = first_node(pattern) else {
        return nodes.is_empty();
    };
    if let Some((node, others)) = nodes.split_first() {
        let (letters, suffix) = split_suffix(node);
        let here = mnemonic_matches(form, letters) && (suffix == 1 || !suffixes);
        if here && matches_from(rest, others, suffixes) {
            return true;
        }
    }
    optional && matches_from(rest, nodes, suffixes)
}

impl Pattern {
    /// Whether a header with these nodes is this command; a numeric suffix must be 1.
    ///
    /// ```
    /// # use cresthold_sim::scpi::Pattern;
    /// let level = Pattern("[SOURce:]VOLTage[:LEVel]");
    /// assert!(level.matches(&[b"VOLT"]));
    /// assert!(level.matches(&[b"sour1", b"voltage", b"lev"]));
    /// assert!(!level.matches(&[b"SOUR", b"LEV"]));
    /// ```
    #[must_use]
    pub fn matches(self, nodes: &[&[u8]]) -> bool {
        matches_from(self.0, nodes, true)
    }

    /// Whether only a numeric suffix keeps the nodes from being this command (error -114).
    #[must_use]
    pub fn matches_but_suffix(self, nodes: &[&[u8]]) -> bool {
        matches_from(self.0, nodes, false)
    }
}
