//! Source files, and the code that is left when comments, strings and tests are blanked.

use crate::top;
use std::fs;
use std::path::{Path, PathBuf};

/// One Rust file.
pub(crate) struct Source {
    /// Its path from the repository's top.
    pub(crate) path: String,
    /// As it is.
    pub(crate) text: String,
    /// The same lines without comments, contents of strings, and tests.
    pub(crate) code: String,
}

/// A path that code names, in full, and the line where it does.
pub(crate) struct Named {
    pub(crate) line: usize,
    pub(crate) path: String,
}

impl Source {
    fn read(file: &Path) -> Self {
        let text = fs::read_to_string(file).unwrap();
        let code = without_tests(&blanked(&text));
        Self { path: from_top(file), text, code }
    }

    /// The room, that is the first module below `root`; empty for lib.rs and main.rs.
    pub(crate) fn room(&self, root: &str) -> &str {
        let below = self.path.strip_prefix(root).map_or("", |rest| rest.trim_start_matches('/'));
        match below.split_once('/') {
            Some((room, _)) => room,
            None => match below.trim_end_matches(".rs") {
                "lib" | "main" => "",
                room => room,
            },
        }
    }

    /// Where in this file something stands, for a message.
    pub(crate) fn at(&self, line: usize) -> String {
        format!("{}:{line}", self.path)
    }

    /// Every path of two or more parts; `use` trees are written out.
    pub(crate) fn paths(&self) -> Vec<Named> {
        let mut found = Vec::new();
        let mut rest = 0;
        while let Some(start) = next_path(&self.code, rest) {
            let mut tree = Tree { text: &self.code, at: start, found: &mut found };
            tree.branch("");
            rest = tree.at.max(start + 1);
        }
        found.retain(|named| named.path.contains("::"));
        found
    }
}

/// Where the next word begins, from `from` on.
fn next_path(code: &str, from: usize) -> Option<usize> {
    let bytes = code.as_bytes();
    (from..bytes.len()).find(|&at| {
        is_word(bytes[at]) && (at == 0 || !is_word(bytes[at - 1])) && !bytes[at].is_ascii_digit()
    })
}

fn is_word(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'_'
}

/// Reads one path, with the branches of a `use` tree.
struct Tree<'a> {
    text: &'a str,
    at: usize,
    found: &'a mut Vec<Named>,
}

impl Tree<'_> {
    fn branch(&mut self, before: &str) {
        let bytes = self.text.as_bytes();
        let start = self.at;
        while self.at < bytes.len() && is_word(bytes[self.at]) {
            self.at += 1;
        }
        let path = format!("{before}{}", &self.text[start..self.at]);
        if !self.text[self.at..].starts_with("::") {
            let line = self.text[..start].matches('\n').count() + 1;
            self.found.push(Named { line, path });
            return;
        }
        self.at += 2;
        if bytes.get(self.at) != Some(&b'{') {
            self.branch(&format!("{path}::"));
            return;
        }
        self.at += 1;
        while let Some(&byte) = bytes.get(self.at) {
            match byte {
                b'}' => {
                    self.at += 1;
                    return;
                }
                byte if is_word(byte) => {
                    self.branch(&format!("{path}::"));
                    // ` as Other` belongs to the branch.
                    let end = self.text[self.at..].find([',', '}']).unwrap_or(0);
                    self.at += end;
                }
                _ => self.at += 1,
            }
        }
    }
}

/// All Rust files below these directories, in the order of their paths.
pub(crate) fn sources(roots: &[&str]) -> Vec<Source> {
    let mut files = Vec::new();
    for root in roots {
        gather(&top().join(root), "rs", &mut files);
    }
    files.sort();
    files.iter().map(|file| Source::read(file)).collect()
}

/// All files with this extension below a directory; none if there is no such directory.
pub(crate) fn gather(directory: &Path, extension: &str, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(directory).into_iter().flatten() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            gather(&path, extension, files);
        } else if path.extension().is_some_and(|found| found == extension) {
            files.push(path);
        }
    }
}

/// A path as it is shown: from the repository's top.
pub(crate) fn from_top(file: &Path) -> String {
    file.strip_prefix(top()).unwrap_or(file).display().to_string()
}

/// The same text with comments and the contents of strings and characters blanked; lines stay.
fn blanked(text: &str) -> String {
    let bytes = text.as_bytes();
    let mut out = Vec::with_capacity(bytes.len());
    let mut at = 0;
    while at < bytes.len() {
        let end = at + blank_length(&text[at..], at > 0 && is_word(bytes[at - 1]));
        if end == at {
            out.push(bytes[at]);
            at += 1;
        } else {
            out.extend(bytes[at..end].iter().map(|&byte| if byte == b'\n' { b'\n' } else { b' ' }));
            at = end;
        }
        while !text.is_char_boundary(at) {
            out.push(b' ');
            at += 1;
        }
    }
    String::from_utf8(out).unwrap_or_default()
}

/// How many bytes to blank from the start of `rest` on; none where code stands.
fn blank_length(rest: &str, after_word: bool) -> usize {
    let to = |pattern: &str, from: usize| {
        rest[from..].find(pattern).map_or(rest.len(), |found| from + found + pattern.len())
    };
    if rest.starts_with("//") {
        return rest.find('\n').unwrap_or(rest.len());
    }
    if rest.starts_with("/*") {
        return to("*/", 2);
    }
    if rest.starts_with('"') {
        return string_length(rest);
    }
    if !after_word && rest.starts_with('r') {
        let hashes = rest[1..].bytes().take_while(|&byte| byte == b'#').count();
        if rest[1 + hashes..].starts_with('"') {
            return to(&format!("\"{}", "#".repeat(hashes)), hashes + 2);
        }
    }
    if let Some(inner) = rest.strip_prefix('\'') {
        // A character, not a lifetime: closed after one character or an escape.
        let length = inner.chars().next().map_or(0, char::len_utf8);
        if inner.starts_with('\\') {
            return to("'", 3);
        }
        if inner[length..].starts_with('\'') {
            return length + 2;
        }
    }
    0
}

fn string_length(rest: &str) -> usize {
    let bytes = rest.as_bytes();
    let mut at = 1;
    while at < bytes.len() && bytes[at] != b'"' {
        at += if bytes[at] == b'\\' { 2 } else { 1 };
    }
    (at + 1).min(rest.len())
}

/// Blanks every item under `#[cfg(test)]`.
fn without_tests(code: &str) -> String {
    const MARK: &str = "#[cfg(test)]";
    let mut out = code.to_string();
    while let Some(start) = out.find(MARK) {
        let end = start + MARK.len() + item_length(&out[start + MARK.len()..]);
        let blank: String =
            out[start..end].chars().map(|c| if c == '\n' { '\n' } else { ' ' }).collect();
        out.replace_range(start..end, &blank);
    }
    out
}

/// Up to the item's semicolon or closing brace.
fn item_length(rest: &str) -> usize {
    let mut depth = 0_usize;
    for (at, byte) in rest.bytes().enumerate() {
        match byte {
            b';' if depth == 0 => return at + 1,
            b'{' => depth += 1,
            b'}' if depth <= 1 => return at + 1,
            b'}' => depth -= 1,
            _ => {}
        }
    }
    rest.len()
}

#[test]
fn blanking_keeps_code_and_lines() {
    let text = "let a = \"std::fs \\\" x\"; // std::net\nlet b = 'x'; /* dbg\n*/ fn f<'a>() {}\n\
                let c = r#\"rand\"#;\n#[cfg(test)]\nmod tests { fn g() { h() } }\nend";
    let code = without_tests(&blanked(text));
    for gone in ["std", "dbg", "rand", "tests", "h()"] {
        assert!(!code.contains(gone), "{gone} is left in {code}");
    }
    assert!(code.contains("fn f<'a>() {}") && code.ends_with("end"));
    assert_eq!(code.lines().count(), text.lines().count());
}

#[test]
fn use_trees_are_written_out() {
    let code = "use std::{fs, time::{Duration, Instant as Wall}};\nlet x = crate::a::b();".into();
    let source = Source { path: String::new(), text: String::new(), code };
    let paths: Vec<_> = source.paths().into_iter().map(|named| (named.line, named.path)).collect();
    let expected = ["std::fs", "std::time::Duration", "std::time::Instant", "crate::a::b"];
    let expected: Vec<_> = [1, 1, 1, 2].into_iter().zip(expected.map(String::from)).collect();
    assert_eq!(paths, expected);
}
