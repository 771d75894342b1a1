//! Whatever is done to the text, it is taken or refused, and refusals keep
//! their promises.

use super::BENCH;
use proptest::prelude::*;
use spanhold::setup;

/// Pieces that mean something to the reader.
const PIECES: [&str; 24] = [
    "[",
    "]",
    "[[",
    "]]",
    "=",
    "\"",
    "'''",
    "\n",
    "#",
    ".",
    "-",
    "nan",
    "inf",
    "1e999",
    "0x",
    "{",
    "}",
    ",",
    "true",
    "1979-05-27",
    "\u{feff}",
    "é",
    "[[channel]]",
    "[span.length_m]",
];

#[derive(Debug, Clone)]
enum Mutation {
    Cut(prop::sample::Index, usize),
    Insert(prop::sample::Index, &'static str),
    Replace(prop::sample::Index, char),
    DropLine(prop::sample::Index),
    CopyLine(prop::sample::Index, prop::sample::Index),
    ChangeValue(prop::sample::Index, String),
}

fn mutation() -> impl Strategy<Value = Mutation> {
    let place = any::<prop::sample::Index>;
    prop_oneof![
        (place(), 1..40usize).prop_map(|(at, n)| Mutation::Cut(at, n)),
        (place(), prop::sample::select(&PIECES[..])).prop_map(|(at, p)| Mutation::Insert(at, p)),
        (place(), any::<char>()).prop_map(|(at, c)| Mutation::Replace(at, c)),
        place().prop_map(Mutation::DropLine),
        (place(), place()).prop_map(|(from, to)| Mutation::CopyLine(from, to)),
        (place(), value()).prop_map(|(at, v)| Mutation::ChangeValue(at, v)),
    ]
}

fn value() -> impl Strategy<Value = String> {
    prop_oneof![
        any::<f64>().prop_map(|x| format!("{x:?}")),
        any::<i64>().prop_map(|x| x.to_string()),
        "\"[a-z./-]{0,12}\"",
        prop::sample::select(vec!["true", "[]", "{}", "[1, 2]", "[{}]", "1979-05-27"])
            .prop_map(str::to_owned),
    ]
}

fn apply(text: &str, mutation: &Mutation) -> String {
    let mut lines: Vec<String> = text.split('\n').map(str::to_owned).collect();
    let chars: Vec<char> = text.chars().collect();
    match mutation {
        Mutation::DropLine(at) => {
            lines.remove(at.index(lines.len()));
        }
        Mutation::CopyLine(from, to) => {
            let line = lines[from.index(lines.len())].clone();
            lines.insert(to.index(lines.len()), line);
        }
        Mutation::ChangeValue(at, value) => {
            let line = &mut lines[at.index(text.split('\n').count())];
            if let Some((key, _)) = line.clone().split_once('=') {
                *line = format!("{key}= {value}");
            }
        }
        Mutation::Cut(..) | Mutation::Insert(..) | Mutation::Replace(..) if chars.is_empty() => {}
        Mutation::Cut(at, n) => {
            let at = at.index(chars.len());
            return chars
                .iter()
                .take(at)
                .chain(chars.iter().skip(at + n))
                .collect();
        }
        Mutation::Insert(at, piece) => {
            let at = at.index(chars.len());
            let (before, after) = chars.split_at(at);
            return before
                .iter()
                .copied()
                .chain(piece.chars())
                .chain(after.iter().copied())
                .collect();
        }
        Mutation::Replace(at, c) => {
            let mut chars = chars.clone();
            let at = at.index(chars.len());
            chars[at] = *c;
            return chars.into_iter().collect();
        }
    }
    lines.join("\n")
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, ..ProptestConfig::default() })]

    #[test]
    fn no_text_panics_and_no_refusal_is_empty(
        mutations in prop::collection::vec(mutation(), 1..6),
    ) {
        let text = mutations.iter().fold(BENCH.to_owned(), |text, m| apply(&text, m));
        match setup::examine(&text, "m.toml") {
            Ok(loaded) => {
                let setup = &loaded.setup;
                prop_assert!(setup.wave_speed_m_s().is_finite());
                prop_assert!(setup.wave_impedance_n_s_per_m() > 0.0);
                prop_assert!(setup.string_fundamental_hz() > 0.0);
                prop_assert!(setup.sweep.low_hz < setup.sweep.high_hz);
                prop_assert!(setup.main_source().is_some());
                prop_assert!(!setup::explain(setup).is_empty());
                prop_assert_eq!(&loaded.text, &text);
            }
            Err(refusal) => {
                prop_assert!(!refusal.faults.is_empty());
                let last = text.matches('\n').count() + 1;
                let mut before = 1;
                for fault in &refusal.faults {
                    let line = fault.line.unwrap();
                    prop_assert!(line >= before && line <= last, "{}", refusal);
                    prop_assert!(!fault.wrong.is_empty() && !fault.right.is_empty());
                    prop_assert!(fault.wrong != "the setup is incomplete", "{}", text);
                    before = line;
                }
                // One fault, one line.
                prop_assert_eq!(refusal.to_string().lines().count(), refusal.faults.len());
            }
        }
    }
}
