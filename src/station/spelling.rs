//! Which known word was meant.
//!
//! Model: the restricted edit distance: insert, delete, replace, swap neighbours, one each (the
//! textbook recurrence). A word is suggested when a third of it or less would have to change.

/// Words longer than this get no suggestion; no key is half as long.
const LONGEST: usize = 64;

/// The known word nearest to `found`, if any is near.
pub(super) fn nearest<'k>(found: &str, known: &[&'k str]) -> Option<&'k str> {
    if found.len() > LONGEST {
        return None;
    }
    let allowed = |word: &str| 1 + word.len().max(found.len()) / 4;
    let near = known.iter().map(|word| (distance(found, word), *word));
    near.filter(|(changes, word)| *changes <= allowed(word) && *changes < word.len())
        .min_by_key(|(changes, _)| *changes)
        .map(|(_, word)| word)
}

fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut older = vec![0; b.len() + 1];
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let change = usize::from(a[i - 1] != b[j - 1]);
            row[j] = (last[j] + 1).min(row[j - 1] + 1).min(last[j - 1] + change);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(older[j - 2] + 1);
            }
        }
        older = std::mem::replace(&mut last, row);
    }
    last[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_is_recognised() {
        let known = ["device_volts_max", "device_amps_max", "name"];
        assert_eq!(nearest("device_volt_max", &known), Some("device_volts_max"));
        assert_eq!(nearest("nmae", &known), Some("name"));
        assert_eq!(nearest("colour", &known), None);
        assert_eq!(nearest(&"x".repeat(500), &known), None);
        assert_eq!(nearest("", &known), None);
    }

    #[test]
    fn distances_of_textbook_words() {
        // Kitten to sitting: three changes, the textbook example of edit distance.
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("", "abc"), 3);
        assert_eq!(distance("ab", "ba"), 1);
    }
}
