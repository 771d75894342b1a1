//! Names from outside on the pages: markup, quotes, a turned writing direction,
//! terminal escapes. The pages are read by the HTML parser of a browser engine,
//! which knows nothing of how they were made.

use std::cell::RefCell;
use std::collections::BTreeSet;

use html5ever::tokenizer::states::RawKind;
use html5ever::tokenizer::{
    BufferQueue, TagKind, Token, TokenSink, TokenSinkResult, Tokenizer, TokenizerOpts,
};

use crate::bench::run_folder::{RunFolder, code, repository, stderr};
use crate::bench::setups::{demo, edited};

/// What every name in the setup carries. Control characters are refused there.
const HOSTILE: &str = "<script>alert('x')</script>\"&amp;&\u{202e}-->";
/// The same as TOML writes it in a string.
const HOSTILE_TOML: &str = "<script>alert('x')</script>\\\"&amp;&\\u202E-->";
/// The same as a reader has to see it: markup as text, the rest by its code.
const SEEN: &str = "<script>alert('x')</script>\"&amp;&⟨U+202E⟩-->";
/// A file name has no slash, but may have escapes for a terminal.
const HOSTILE_FILE: &str = "a<img src=x onerror=alert(1)>\"'&\u{202e}\u{1b}[31m.wav";
const FILE_SEEN: &str = "a<img src=x onerror=alert(1)>\"'&⟨U+202E⟩⟨U+001B⟩[31m.wav";

/// What the parser makes of a page.
#[derive(Default)]
struct Parsed {
    elements: BTreeSet<String>,
    attributes: BTreeSet<String>,
    values: Vec<String>,
    texts: Vec<String>,
    errors: Vec<String>,
    comments: usize,
}

#[derive(Default)]
struct Sink(RefCell<Parsed>);

impl TokenSink for Sink {
    type Handle = ();

    fn process_token(&self, token: Token, line: u64) -> TokenSinkResult<()> {
        let mut parsed = self.0.borrow_mut();
        match token {
            Token::TagToken(tag) => {
                parsed.elements.insert(tag.name.to_string());
                parsed.texts.push(String::new());
                for attribute in tag.attrs {
                    parsed.attributes.insert(attribute.name.local.to_string());
                    parsed.values.push(attribute.value.to_string());
                }
                if tag.kind == TagKind::StartTag {
                    // As the tree builder of a browser would have it.
                    match &*tag.name {
                        "style" => return TokenSinkResult::RawData(RawKind::Rawtext),
                        "title" => return TokenSinkResult::RawData(RawKind::Rcdata),
                        _ => {}
                    }
                }
            }
            Token::CharacterTokens(text) => match parsed.texts.last_mut() {
                Some(last) => last.push_str(&text),
                None => parsed.texts.push(text.to_string()),
            },
            Token::ParseError(error) => parsed.errors.push(format!("line {line}: {error}")),
            Token::NullCharacterToken => parsed.errors.push(format!("line {line}: NUL")),
            Token::CommentToken(_) => parsed.comments += 1,
            Token::DoctypeToken(_) | Token::EOFToken => {}
        }
        TokenSinkResult::Continue
    }
}

fn parsed(page: &str) -> Parsed {
    let input = BufferQueue::default();
    input.push_back(page.into());
    let tokenizer = Tokenizer::new(Sink::default(), TokenizerOpts::default());
    let _ = tokenizer.feed(&input);
    tokenizer.end();
    tokenizer.sink.0.into_inner()
}

/// Elements and attributes that the pages are made of.
fn assert_nothing_else(name: &str, page: &Parsed) {
    const ELEMENTS: &str = "html head meta title style body main header section div p h1 h2 h3 h4 \
        ul li dl dt dd table thead tbody tr th td code span small a br figure figcaption svg g \
        path rect circle text";
    const ATTRIBUTES: &str = "lang charset name content class id href scope role aria-label \
        tabindex viewbox x y width height rx cx cy r d transform";
    assert!(page.errors.is_empty(), "{name}: {:?}", page.errors);
    assert_eq!(page.comments, 0, "{name}");
    for (found, known) in [(&page.elements, ELEMENTS), (&page.attributes, ATTRIBUTES)] {
        let known: BTreeSet<&str> = known.split_whitespace().collect();
        let others: Vec<&String> = found
            .iter()
            .filter(|f| !known.contains(f.as_str()))
            .collect();
        assert!(others.is_empty(), "{name}: {others:?}");
    }
}

fn assert_no_hidden_character(name: &str, page: &str) {
    let hidden = page
        .chars()
        .find(|c| (c.is_control() && *c != '\n') || *c == '\u{202e}');
    assert_eq!(hidden, None, "{name}");
}

#[test]
fn names_from_outside_are_text_on_every_page() {
    let setup = edited(
        &demo(),
        &[
            ("Invented demo: damper trial 3, sample B", HOSTILE_TOML),
            ("invented, 4-resonance, 5.1 kg", HOSTILE_TOML),
            ("\"bench 2\"", &format!("\"{HOSTILE_TOML}\"")),
            ("name = \"antinode\"", &format!("name = \"{HOSTILE_TOML}\"")),
            ("ACSR 26/7, 21.8 mm", HOSTILE_TOML),
        ],
    );
    let bench = RunFolder::with_setup(&setup);
    std::fs::copy(
        repository("recordings/damped-trial.wav"),
        bench.path(HOSTILE_FILE),
    )
    .unwrap();
    let made = bench.spanhold(&["reprocess", "setup.toml", HOSTILE_FILE, "--out", "run"]);
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    for arguments in [
        &["report", "run"][..],
        &["audit", "run", "--html", "run/audit.html"],
        &["audit", "run", "--point", "1", "--html", "run/point.html"],
    ] {
        let made = bench.spanhold(arguments);
        assert_eq!(code(&made), 0, "{arguments:?}: {}", stderr(&made));
    }
    let reduced = bench.spanhold(&["reduce", "run"]);
    assert_eq!(code(&reduced), 0, "{}", stderr(&reduced));
    let made = bench.spanhold(&["report", "run", "--out", "run/reduced.html"]);
    assert_eq!(code(&made), 0, "{}", stderr(&made));

    for name in ["report.html", "reduced.html", "audit.html", "point.html"] {
        let page = bench.read("run", name);
        assert_no_hidden_character(name, &page);
        let page = parsed(&page);
        assert_nothing_else(name, &page);
        let seen = |text: &str| page.texts.iter().any(|found| found.contains(text));
        // Title of the page and heading at least, and the file among the hashes.
        let titles = page.texts.iter().filter(|text| text.contains(SEEN)).count();
        assert!(titles >= 2, "{name}: {titles}");
        assert!(seen(FILE_SEEN), "{name}");
        assert!(!seen(HOSTILE), "{name}");
    }
    // Damper, operator, conductor and channel stand in the report.
    let report = parsed(&bench.read("run", "report.html"));
    let facts = report
        .texts
        .iter()
        .filter(|text| text.contains(SEEN))
        .count();
    assert!(facts >= 6, "{facts}");
    // The channel's name is an attribute of its figures as well.
    let point = parsed(&bench.read("run", "point.html"));
    assert!(point.values.iter().any(|value| value.contains(SEEN)));
}
