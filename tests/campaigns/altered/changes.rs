//! The places of a file, found by reading it as what it is, each altered.

use std::ops::Range;
use std::path::Path;

use crate::bench::json_leaves::{leaves, other};

/// One change of one file.
pub struct Change {
    /// What was done, and where.
    pub what: String,
    /// The bytes that others take the place of, and these; `None`: the file is
    /// gone.
    edit: Option<(Range<usize>, Vec<u8>)>,
}

impl Change {
    /// The file as it is then.
    pub fn of(&self, bytes: &[u8]) -> Option<Vec<u8>> {
        let (place, by) = self.edit.as_ref()?;
        Some([&bytes[..place.start], by, &bytes[place.end..]].concat())
    }

    pub fn make(&self, path: &Path, bytes: &[u8]) {
        match self.of(bytes) {
            Some(bytes) => std::fs::write(path, bytes).unwrap(),
            None => std::fs::remove_file(path).unwrap(),
        }
    }
}

/// Bytes of a recording or a picture that are altered, beside every one of its beginning.
const SAMPLES: usize = 40;
/// Longest header of a recording.
const HEADER_BYTES: usize = 128;

/// Every change that is tried of a file; the last one takes it away.
pub fn changes(name: &str, bytes: &[u8]) -> Vec<Change> {
    let mut found = Vec::new();
    let mut add = |what: String, place: Range<usize>, by: &[u8]| {
        if bytes[place.clone()] != *by {
            let edit = Some((place, by.to_vec()));
            found.push(Change { what, edit });
        }
    };
    if matches!(ending(name), "wav" | "svg") {
        let samples = (0..SAMPLES).map(|at| (bytes.len() - 1) * at / SAMPLES);
        for at in (0..HEADER_BYTES.min(bytes.len())).chain(samples) {
            add(format!("byte {at}"), at..at + 1, &[bytes[at] ^ 1]);
        }
    } else if let Ok(text) = std::str::from_utf8(bytes) {
        for (what, place) in places(name, text) {
            let value = &text[place.clone()];
            let by = another(name, value);
            add(format!("{what}, {value}"), place, by.as_bytes());
        }
        lines(name, text, &mut add);
    }
    let end = bytes.len();
    add("half of it".into(), end / 2..end, b"");
    add("emptied".into(), 0..end, b"");
    add("a byte behind it".into(), end..end, b" ");
    found.push(Change {
        what: "taken away".into(),
        edit: None,
    });
    found
}

/// Lines of a table of which not every cell is altered by itself.
const LONG_TABLE: usize = 100;

/// By which a file says what it is.
fn ending(name: &str) -> &str {
    name.rsplit('.').next().unwrap()
}

/// Where the values of a file stand, each with its name.
fn places(name: &str, text: &str) -> Vec<(String, Range<usize>)> {
    match ending(name) {
        _ if text.is_empty() => Vec::new(),
        "json" => leaves(text)
            .into_iter()
            .map(|leaf| (leaf.path, leaf.place))
            .collect(),
        "jsonl" => by_line(text)
            .flat_map(|(number, begin, line)| {
                leaves(line).into_iter().map(move |leaf| {
                    let place = leaf.place.start + begin..leaf.place.end + begin;
                    (format!("line {number}: {}", leaf.path), place)
                })
            })
            .collect(),
        // Of a long table every line, the columns in turn: it is hashed as a whole, and an
        // analysis test alters every byte of one.
        "csv" if text.lines().count() > LONG_TABLE => by_line(text)
            .filter_map(|(number, begin, line)| {
                let mut cells = cells(number, begin, line);
                let columns = cells.clone().count();
                cells.nth(number % columns)
            })
            .collect(),
        "csv" => by_line(text)
            .flat_map(|(number, begin, line)| cells(number, begin, line))
            .collect(),
        "toml" | "match" => {
            let table = toml::de::DeTable::parse(text).unwrap();
            let mut found = Vec::new();
            in_table(table.get_ref(), "", &mut found);
            found
        }
        "html" => shown_words(text),
        _ => panic!("{name}: how is it read?"),
    }
}

/// Where the cells of a line of a table stand, each with the number of its line.
fn cells(
    number: usize,
    begin: usize,
    line: &str,
) -> impl Iterator<Item = (String, Range<usize>)> + Clone {
    let mut at = begin;
    line.trim_end().split(',').map(move |cell| {
        let place = at..at + cell.len();
        at += cell.len() + 1;
        (format!("line {number}"), place)
    })
}

/// Number, begin and text of every line.
fn by_line(text: &str) -> impl Iterator<Item = (usize, usize, &str)> {
    let mut begin = 0;
    (1..)
        .zip(text.split_inclusive('\n'))
        .map(move |(number, line)| {
            begin += line.len();
            (number, begin - line.len(), line)
        })
}

fn in_table(table: &toml::de::DeTable<'_>, path: &str, found: &mut Vec<(String, Range<usize>)>) {
    for (key, value) in table {
        in_value(value, &format!("{path}.{}", key.get_ref()), found);
    }
}

fn in_value(
    value: &toml::Spanned<toml::de::DeValue<'_>>,
    path: &str,
    found: &mut Vec<(String, Range<usize>)>,
) {
    match value.get_ref() {
        toml::de::DeValue::Table(table) => in_table(table, path, found),
        toml::de::DeValue::Array(values) => {
            for (number, value) in values.iter().enumerate() {
                in_value(value, &format!("{path}[{number}]"), found);
            }
        }
        _ => found.push((path.to_owned(), value.span())),
    }
}

/// The words that a reader of a page sees.
fn shown_words(text: &str) -> Vec<(String, Range<usize>)> {
    let body = text.find("</style>").map_or(0, |at| at + "</style>".len());
    let mut found = Vec::new();
    let mut at = body;
    while let Some(opened) = text[at..].find('>').map(|next| at + next + 1) {
        let Some(closed) = text[opened..].find('<').map(|next| opened + next) else {
            break;
        };
        let shown = &text[opened..closed];
        let mut begin = opened;
        for word in shown.split_inclusive(char::is_whitespace) {
            let letters = word.trim_end().len();
            if letters > 0 {
                found.push(("a word".to_owned(), begin..begin + letters));
            }
            begin += word.len();
        }
        at = closed;
    }
    found
}

/// Another value, of the same kind where the file has kinds.
fn another(name: &str, value: &str) -> String {
    if matches!(ending(name), "json" | "jsonl") {
        return other(value);
    }
    match (value, value.char_indices().last()) {
        ("true", _) => "false".to_owned(),
        ("false", _) => "true".to_owned(),
        (_, None) => "1".to_owned(),
        // The last digit, or the last letter within the quotation marks.
        (_, Some((last, '9'))) => format!("{}8", &value[..last]),
        (_, Some((last, digit @ '0'..='8'))) => {
            format!("{}{}", &value[..last], (digit as u8 + 1) as char)
        }
        (_, Some((last, mark @ ('"' | '\'')))) => format!("{}~{mark}", &value[..last]),
        (_, Some(_)) => format!("{value}~"),
    }
}

/// Lines left out, doubled, exchanged with the next, and sequences that act on a
/// terminal.
fn lines(name: &str, text: &str, add: &mut impl FnMut(String, Range<usize>, &[u8])) {
    let all: Vec<(usize, usize, &str)> = by_line(text).collect();
    for (at, &(number, begin, line)) in all.iter().enumerate() {
        let end = begin + line.len();
        add(format!("line {number} left out"), begin..end, b"");
        add(format!("line {number} doubled"), end..end, line.as_bytes());
        if let Some((_, _, next)) = all.get(at + 1) {
            let exchanged = format!("{next}{line}");
            let both = begin..end + next.len();
            let what = format!("line {number} exchanged with the next");
            add(what, both, exchanged.as_bytes());
        }
    }
    if ending(name) == "jsonl" && !text.is_empty() {
        let escape = "{\"message\":\"\\u001b[2J\\u202e\"}\n";
        let what = "a line with an escape sequence added".to_owned();
        add(what, text.len()..text.len(), escape.as_bytes());
    }
    if let Some(at) = text.find(['e', 'a']) {
        add("an escape sequence".into(), at..at + 1, b"\x1b[2J");
    }
}
