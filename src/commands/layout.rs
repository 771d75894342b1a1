//! Text columns and wrapped lines.

use std::fmt::Write as _;

/// One column of a table: two header lines and a cell a row.
#[derive(Debug, Clone)]
pub struct Column {
    title: String,
    unit: String,
    /// The column with the highest rank goes first when the table is too
    /// wide; rank 0 stays.
    rank: u8,
    cells: Vec<String>,
    left: bool,
}

impl Column {
    /// A column aligned to the right.
    pub fn new(title: &str, unit: &str, rank: u8, cells: Vec<String>) -> Self {
        Self {
            title: title.to_owned(),
            unit: unit.to_owned(),
            rank,
            cells,
            left: false,
        }
    }

    /// Aligned to the left.
    pub fn left(self) -> Self {
        Self { left: true, ..self }
    }

    fn width(&self) -> usize {
        self.cells
            .iter()
            .chain([&self.title, &self.unit])
            .map(|cell| cell.chars().count())
            .max()
            .unwrap_or(0)
    }

    fn pad(&self, cell: &str) -> String {
        let width = self.width();
        if self.left {
            format!("{cell:<width$}")
        } else {
            format!("{cell:>width$}")
        }
    }
}

const BETWEEN: &str = "  ";

/// The table. Columns that are empty throughout are dropped; columns that do
/// not fit into `width` are left out, and the last line names them.
pub fn layout(columns: &[Column], width: usize) -> String {
    let mut shown: Vec<&Column> = columns
        .iter()
        .filter(|column| column.cells.iter().any(|cell| !cell.is_empty()))
        .collect();
    let mut left_out = Vec::new();
    let total = |shown: &[&Column]| {
        shown.iter().map(|column| column.width()).sum::<usize>()
            + BETWEEN.len() * shown.len().saturating_sub(1)
    };
    while total(&shown) > width {
        let Some(worst) = shown
            .iter()
            .enumerate()
            .filter(|(_, column)| column.rank > 0)
            .max_by_key(|(_, column)| column.rank)
            .map(|(at, _)| at)
        else {
            break;
        };
        left_out.push(shown.remove(worst).title.clone());
    }
    let mut text = String::new();
    let mut line = |cells: Vec<String>| {
        let _ = writeln!(text, "{}", cells.join(BETWEEN).trim_end());
    };
    line(
        shown
            .iter()
            .map(|column| column.pad(&column.title))
            .collect(),
    );
    line(
        shown
            .iter()
            .map(|column| column.pad(&column.unit))
            .collect(),
    );
    let rows = shown
        .iter()
        .map(|column| column.cells.len())
        .max()
        .unwrap_or(0);
    for row in 0..rows {
        let cell = |column: &&Column| column.pad(column.cells.get(row).map_or("", |cell| cell));
        line(shown.iter().map(cell).collect());
    }
    if !left_out.is_empty() {
        let names = left_out.join("; ");
        text += &wrap(
            &format!("(left out, too narrow here: {names})"),
            width,
            "",
            "  ",
        );
    }
    text
}

/// `text` in lines of at most `width` columns, words kept whole; `first` stands
/// before the first line, `rest` before the others.
pub fn wrap(text: &str, width: usize, first: &str, rest: &str) -> String {
    let mut out = String::new();
    let mut line = first.to_owned();
    let mut empty = true;
    for word in text.split_ascii_whitespace() {
        let gap = usize::from(!empty);
        if !empty && line.chars().count() + gap + word.chars().count() > width {
            let _ = writeln!(out, "{line}");
            rest.clone_into(&mut line);
        } else if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    let _ = writeln!(out, "{line}");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_stay_whole_and_lines_stay_within_the_width() {
        assert_eq!(wrap("one two three", 9, "- ", "  "), "- one two\n  three\n");
        assert_eq!(wrap("unbreakable", 4, "", ""), "unbreakable\n");
        assert_eq!(wrap("", 10, "- ", ""), "- \n");
    }
}
