//! Tables and wrapped lines for a terminal.
//!
//! In: rows, and columns that say what each row has. Out: text. Every table of
//! the program that is read in a terminal is made here.

use std::fmt::Write as _;

const BETWEEN: &str = "  ";

/// A table: a row a line, under a heading and, where any column has one, a line
/// of units.
#[derive(Debug)]
pub struct TextTable<'a, Row> {
    rows: &'a [Row],
    columns: Vec<Column>,
    indent: usize,
}

#[derive(Debug)]
struct Column {
    heading: String,
    unit: String,
    rank: u8,
    cells: Vec<String>,
    left: bool,
}

impl<'a, Row> TextTable<'a, Row> {
    /// A table of these rows, without columns yet.
    pub fn new(rows: &'a [Row]) -> Self {
        Self {
            rows,
            columns: Vec::new(),
            indent: 0,
        }
    }

    /// Adds a column of numbers, aligned to the right. Where the table is too
    /// wide, the column of the highest rank is left out first, of two with the
    /// same rank the later one; a column of rank 0 never is.
    #[must_use]
    pub fn numbers(
        self,
        heading: &str,
        unit: &str,
        rank: u8,
        cell: impl Fn(&Row) -> String,
    ) -> Self {
        let cells = self.rows.iter().map(cell).collect();
        self.column(heading, unit, rank, cells, false)
    }

    /// Adds a column of words, aligned to the left.
    #[must_use]
    pub fn words(self, heading: &str, unit: &str, rank: u8, cell: impl Fn(&Row) -> String) -> Self {
        let cells = self.rows.iter().map(cell).collect();
        self.column(heading, unit, rank, cells, true)
    }

    /// Adds a column whose cells are at hand, one a row; empty where a row has
    /// nothing there.
    #[must_use]
    pub fn cells(
        self,
        heading: &str,
        unit: &str,
        rank: u8,
        words: bool,
        cells: Vec<Option<String>>,
    ) -> Self {
        let cells = cells.into_iter().map(Option::unwrap_or_default).collect();
        self.column(heading, unit, rank, cells, words)
    }

    fn column(
        mut self,
        heading: &str,
        unit: &str,
        rank: u8,
        cells: Vec<String>,
        left: bool,
    ) -> Self {
        self.columns.push(Column {
            heading: heading.to_owned(),
            unit: unit.to_owned(),
            rank,
            cells,
            left,
        });
        self
    }

    /// Moves the table to the right.
    #[must_use]
    pub fn indented(self, indent: usize) -> Self {
        Self { indent, ..self }
    }

    /// The text. A column that is empty throughout is not shown; columns that
    /// do not fit into `width` are left out, and the last line names them.
    pub fn text(&self, width: usize) -> String {
        let mut shown: Vec<&Column> = self
            .columns
            .iter()
            .filter(|column| column.cells.iter().any(|cell| !cell.is_empty()))
            .collect();
        let left_out = self.leave_out(&mut shown, width);
        let indent = " ".repeat(self.indent);
        let mut text = String::new();
        let mut line = |cells: Vec<String>| {
            let line = format!("{indent}{}", cells.join(BETWEEN));
            // Writing to a String cannot fail.
            let _ = writeln!(text, "{}", line.trim_end());
        };
        line(shown.iter().map(|c| c.pad(&c.heading)).collect());
        if shown.iter().any(|column| !column.unit.is_empty()) {
            line(shown.iter().map(|c| c.pad(&c.unit)).collect());
        }
        for row in 0..self.rows.len() {
            let cell = |column: &&Column| column.pad(column.cells.get(row).map_or("", |cell| cell));
            line(shown.iter().map(cell).collect());
        }
        if !left_out.is_empty() {
            let names = format!("(left out, too narrow here: {})", left_out.join("; "));
            text += &wrap(&names, width, &indent, &format!("{indent}  "));
        }
        text
    }

    /// Takes out what does not fit; gives the headings taken out.
    fn leave_out(&self, shown: &mut Vec<&Column>, width: usize) -> Vec<String> {
        let mut left_out = Vec::new();
        let total = |shown: &[&Column]| {
            shown.iter().map(|column| column.width()).sum::<usize>()
                + BETWEEN.len() * shown.len().saturating_sub(1)
                + self.indent
        };
        while total(shown) > width {
            let Some(worst) = shown
                .iter()
                .enumerate()
                .filter(|(_, column)| column.rank > 0)
                .max_by_key(|(_, column)| column.rank)
                .map(|(at, _)| at)
            else {
                break;
            };
            left_out.push(shown.remove(worst).heading.clone());
        }
        left_out
    }
}

impl Column {
    fn width(&self) -> usize {
        self.cells
            .iter()
            .chain([&self.heading, &self.unit])
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

    fn table<'a>(rows: &'a [(&'a str, f64)]) -> TextTable<'a, (&'a str, f64)> {
        TextTable::new(rows)
            .words("name", "", 0, |row| row.0.to_owned())
            .numbers("length", "mm", 2, |row| format!("{:.1}", row.1))
            .numbers("half", "mm", 1, |row| format!("{:.1}", 0.5 * row.1))
            .numbers("never", "s", 0, |_| String::new())
    }

    #[test]
    fn numbers_stand_right_words_left_and_empty_columns_nowhere() {
        let text = table(&[("one", 12.5), ("thirteen", 3.0)]).text(80);
        insta::assert_snapshot!(text, @r"
        name      length  half
                      mm    mm
        one         12.5   6.2
        thirteen     3.0   1.5
        ");
    }

    #[test]
    fn what_does_not_fit_is_left_out_by_rank_and_named() {
        let rows = [("one", 12.5)];
        let narrow = table(&rows).indented(2).text(14);
        insta::assert_snapshot!(narrow, @r"
          name  half
                  mm
          one    6.2
          (left out,
            too narrow
            here:
            length)
        ");
        // Rank 0 stays, however narrow it is.
        assert!(table(&rows).text(3).contains("one"));
    }

    #[test]
    fn without_units_there_is_no_line_for_them() {
        let text = TextTable::new(&[1, 2])
            .numbers("n", "", 0, ToString::to_string)
            .text(80);
        assert_eq!(text, "n\n1\n2\n");
    }

    #[test]
    fn words_stay_whole_and_lines_stay_within_the_width() {
        assert_eq!(wrap("one two three", 9, "- ", "  "), "- one two\n  three\n");
        assert_eq!(wrap("unbreakable", 4, "", ""), "unbreakable\n");
        assert_eq!(wrap("", 10, "- ", ""), "- \n");
    }
}
