//! Characters that a reader cannot see, or that change the order in which the rest is seen.
//!
//! In: a character. Out: whether it is one of them. Pure.

/// Control characters; marks, overrides and isolates of the writing direction
/// (Unicode Standard Annex 9); characters without width or shape. The joiners
/// U+200C and U+200D are left alone: some scripts cannot be spelt without them.
pub fn is_hidden(letter: char) -> bool {
    letter.is_control()
        || matches!(
            letter,
            '\u{ad}'
                | '\u{61c}'
                | '\u{180e}'
                | '\u{200b}'
                | '\u{200e}'
                | '\u{200f}'
                | '\u{2028}'..='\u{202e}'
                | '\u{2060}'..='\u{206f}'
                | '\u{feff}'
                | '\u{fff9}'..='\u{fffb}'
                | '\u{e0000}'..='\u{e007f}'
        )
}
