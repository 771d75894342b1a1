//! HTML: the frame of a page and the parts that pages share.
//!
//! Markup comes from [`maud`], which escapes every text that is put into it.
//! What a reader could not see, or what would change the order in which they
//! see the rest, is made visible for a whole page at once in [`page`], so that
//! no text from outside can miss either.

use std::fmt::Write as _;

use maud::{DOCTYPE, Markup, PreEscaped, html};

pub use crate::setup::is_hidden;

/// The style of every page; no page refers to anything outside itself.
const STYLE: &str = include_str!("page.css");

/// The text of a whole page.
pub fn page(title: &str, body: Markup) -> String {
    let page = html! {
        (DOCTYPE) "\n"
        html lang="en" { "\n"
            head { "\n"
                meta charset="utf-8"; "\n"
                meta name="viewport" content="width=device-width, initial-scale=1"; "\n"
                meta name="color-scheme" content="light dark"; "\n"
                title { (title) } "\n"
                style { "\n" (PreEscaped(STYLE)) (running_title(title)) } "\n"
            } "\n"
            body { "\n" main { "\n" (body) } "\n" } "\n"
        } "\n"
    };
    with_hidden_characters_shown(&page.into_string())
}

/// The style rule that puts the title at the head of every printed page.
///
/// Style is text that no HTML escape reaches, so the title becomes a CSS string
/// in which everything but letters of ASCII, digits and spaces is an escape by
/// code point (CSS Syntax Level 3, 4.3.7).
fn running_title(title: &str) -> PreEscaped<String> {
    const MOST_LETTERS: usize = 90;
    let shown = with_hidden_characters_shown(&title.replace('\n', " "));
    let mut letters: Vec<char> = shown.chars().collect();
    if letters.len() > MOST_LETTERS {
        letters.truncate(MOST_LETTERS - 1);
        letters.push('…');
    }
    let mut rule = String::from("@page { @top-left { content: \"");
    for letter in letters {
        if letter.is_ascii_alphanumeric() || letter == ' ' {
            rule.push(letter);
        } else {
            // The space ends the escape and is part of it.
            let _ = write!(rule, "\\{:x} ", u32::from(letter));
        }
    }
    rule.push_str("\"; } }\n");
    PreEscaped(rule)
}

/// Writes the code of every character that hides text, as `⟨U+202E⟩`. The
/// program itself writes none of them, so all of them come from outside.
fn with_hidden_characters_shown(page: &str) -> String {
    let mut shown = String::with_capacity(page.len());
    for letter in page.chars() {
        if letter != '\n' && is_hidden(letter) {
            let _ = write!(shown, "⟨U+{:04X}⟩", u32::from(letter));
        } else {
            shown.push(letter);
        }
    }
    shown
}

/// The heading row of a table.
pub fn head(titles: &[&str]) -> Markup {
    html! {
        thead { tr { @for title in titles { th scope="col" { (title) } } } } "\n"
    }
}

/// A table row of plain texts; the first is its heading.
pub fn row(cells: &[String]) -> Markup {
    html! {
        tr {
            @for (place, cell) in cells.iter().enumerate() {
                @if place == 0 { th scope="row" { (cell) } } @else { td { (unbroken(cell)) } }
            }
        } "\n"
    }
}

/// A value and its uncertainty so that, where a table has no room for both on a line,
/// the break stands before the sign.
pub fn unbroken(value_with_uncertainty: &str) -> String {
    value_with_uncertainty.replace(" ± ", " ±\u{a0}")
}

/// A table under a heading row, in a frame of its own that scrolls sideways
/// where the page is too narrow for it. `rows` are the rows of its body.
pub fn table(titles: &[&str], rows: Markup) -> Markup {
    wide(html! { table { "\n" (head(titles)) tbody { "\n" (rows) } } })
}

/// What may be wider than the page.
pub fn wide(content: Markup) -> Markup {
    // Reached by the keyboard too: who cannot drag scrolls with the arrows.
    html! { div class="wide" tabindex="0" { (content) } "\n" }
}

/// A list of names and values.
pub fn facts_list(facts: &[(&str, String)]) -> Markup {
    html! {
        dl class="facts" { "\n"
            @for (name, value) in facts { dt { (name) } dd { (value) } "\n" }
        } "\n"
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_from_a_file_can_become_markup() {
        let hostile = "<script>alert('x')</script> & \"quoted\" \u{1b}[31m";
        let page = page(hostile, html! { p title=(hostile) { (hostile) } });
        let safe = "&lt;script&gt;alert('x')&lt;/script&gt; &amp; &quot;quoted&quot; ⟨U+001B⟩[31m";
        assert!(page.contains(&format!("<title>{safe}</title>")), "{page}");
        assert!(
            page.contains(&format!("<p title=\"{safe}\">{safe}</p>")),
            "{page}"
        );
    }

    #[test]
    fn the_running_title_cannot_leave_its_string() {
        let page = page("a</style>\"\\}\u{202e}é", html! {});
        let rule = page
            .split("@top-left { content: \"")
            .nth(1)
            .unwrap_or_default();
        let string = rule.split('"').next().unwrap_or_default();
        assert_eq!(
            string,
            "a\\3c \\2f style\\3e \\22 \\5c \\7d \\27e8 U\\2b 202E\\27e9 \\e9 "
        );
        assert_eq!(page.matches("</style").count(), 1);
    }

    #[test]
    fn what_turns_or_hides_text_is_shown_by_its_code() {
        let page = page(
            "",
            html! { "a\u{202e}b\u{200b}c\u{2066}d\u{0}\te\u{e0041}" },
        );
        assert!(
            page.contains("a⟨U+202E⟩b⟨U+200B⟩c⟨U+2066⟩d⟨U+0000⟩⟨U+0009⟩e⟨U+E0041⟩"),
            "{page}"
        );
    }
}
