//! HTML as text: escaping and the frame of a page. Whatever comes from a file
//! passes through [`escape`].

use std::fmt::Write as _;

/// The style of every page; no page refers to anything outside itself.
const STYLE: &str = include_str!("page.css");

/// Text made safe for element content and quoted attributes.
pub fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            // Control characters have no place in HTML and hide text.
            letter if letter.is_control() && letter != '\n' => safe.push('\u{fffd}'),
            letter => safe.push(letter),
        }
    }
    safe
}

/// A page around `body`, which is HTML already.
pub fn page(title: &str, body: &str) -> String {
    let mut page = String::with_capacity(body.len() + STYLE.len() + 512);
    let _ = write!(
        page,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n\
         <title>{}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n<main>\n{body}</main>\n\
         </body>\n</html>\n",
        escape(title)
    );
    page
}

/// A table row of `cells`, which are HTML already; the first is its heading.
pub fn row(cells: &[String]) -> String {
    let mut row = String::from("<tr>");
    for (place, cell) in cells.iter().enumerate() {
        let tag = if place == 0 { "th scope=\"row\"" } else { "td" };
        let end = if place == 0 { "th" } else { "td" };
        let _ = write!(row, "<{tag}>{cell}</{end}>");
    }
    row.push_str("</tr>\n");
    row
}

/// The heading row of a table; `titles` are plain text.
pub fn head(titles: &[&str]) -> String {
    let mut row = String::from("<thead><tr>");
    for title in titles {
        let _ = write!(row, "<th scope=\"col\">{}</th>", escape(title));
    }
    row.push_str("</tr></thead>\n");
    row
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_from_a_file_can_become_markup() {
        let hostile = "<script>alert('x')</script> & \"quoted\" \u{1b}[31m";
        assert_eq!(
            escape(hostile),
            "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt; &amp; &quot;quoted&quot; \u{fffd}[31m"
        );
    }
}
