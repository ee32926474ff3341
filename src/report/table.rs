//! Tables that align in a terminal.

/// Lays out rows under a header: the first column and those without a head, which hold words, to the
/// left, the others to the right, two blanks between columns.
///
/// ```
/// use cresthold::report::table::align;
/// let rows = [vec!["roof".to_owned(), "12.5 Wh".to_owned()]];
/// assert_eq!(align(&["device", "energy"], &rows), "device   energy\nroof    12.5 Wh\n");
/// ```
#[must_use]
pub fn align(header: &[&str], rows: &[Vec<String>]) -> String {
    let mut widths: Vec<usize> = header.iter().map(|cell| cell.chars().count()).collect();
    for row in rows {
        for (width, cell) in widths.iter_mut().zip(row) {
            *width = (*width).max(cell.chars().count());
        }
    }
    let mut text = String::new();
    let head: Vec<String> = header.iter().map(|&cell| cell.to_owned()).collect();
    for row in std::iter::once(&head).chain(rows) {
        let mut line = String::new();
        for (index, (cell, &width)) in row.iter().zip(&widths).enumerate() {
            if index == 0 {
                line.push_str(&format!("{cell:<width$}"));
            } else if header[index].is_empty() {
                line.push_str(&format!("  {cell:<width$}"));
            } else {
                line.push_str(&format!("  {cell:>width$}"));
            }
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}
