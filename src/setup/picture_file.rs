//! A picture that a setup names: read, bounded, and known by its first bytes.

use std::io;
use std::path::Path;

use super::bounded_file::bytes_of;

/// Longest picture that is read.
const LONGEST_BYTES: usize = 8 << 20;

/// What kind of picture it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PictureKind {
    /// Portable Network Graphics (W3C PNG, 5.2: the signature).
    Png,
    /// JPEG (ITU-T T.81, B.1.1.3: it begins with the marker SOI).
    Jpeg,
    /// Scalable Vector Graphics, text in UTF-8 whose first element is `svg`.
    Svg,
}

impl PictureKind {
    /// By the first bytes; `None` where it is none of the three.
    pub fn of(bytes: &[u8]) -> Option<Self> {
        if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
            Some(Self::Png)
        } else if bytes.starts_with(&[0xFF, 0xD8, 0xFF]) {
            Some(Self::Jpeg)
        } else {
            let text = std::str::from_utf8(bytes).ok()?;
            is_svg(text).then_some(Self::Svg)
        }
    }

    /// Its media type.
    pub fn media_type(self) -> &'static str {
        match self {
            Self::Png => "image/png",
            Self::Jpeg => "image/jpeg",
            Self::Svg => "image/svg+xml",
        }
    }
}

/// Whether the first element is `svg`; before it may stand declarations,
/// instructions and comments.
fn is_svg(text: &str) -> bool {
    let mut rest = text.trim_start_matches('\u{feff}').trim_start();
    loop {
        let end = if rest.starts_with("<!--") {
            "-->"
        } else if rest.starts_with("<?") {
            "?>"
        } else if rest.starts_with("<!") {
            ">"
        } else {
            break;
        };
        match rest.split_once(end) {
            Some((_, behind)) => rest = behind.trim_start(),
            None => return false,
        }
    }
    rest.strip_prefix("<svg").is_some_and(|name| {
        name.starts_with(|next: char| next.is_whitespace() || next == '>' || next == '/')
    })
}

/// Reads a picture: a regular file of up to 8 MiB that is one of the kinds that
/// a page can show.
///
/// # Errors
/// Where it cannot be read, is longer or is no such picture.
pub fn read_picture(path: &Path) -> io::Result<(PictureKind, Vec<u8>)> {
    let bytes = bytes_of(path, LONGEST_BYTES)?;
    if bytes.len() > LONGEST_BYTES {
        return Err(io::Error::other(
            "it is longer than 8 MiB; a smaller copy is right",
        ));
    }
    let kind = PictureKind::of(&bytes).ok_or_else(|| {
        io::Error::other("it is no PNG, JPEG or SVG by its first bytes; one of these is right")
    })?;
    Ok((kind, bytes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_bytes_say_what_a_picture_is() {
        // W3C PNG, 5.2; ITU-T T.81, B.1.1.3 (both from memory).
        let png = [0x89, 0x50, 0x4E, 0x47, 0x0D, 0x0A, 0x1A, 0x0A, 0, 0];
        assert_eq!(PictureKind::of(&png), Some(PictureKind::Png));
        assert_eq!(
            PictureKind::of(&[0xFF, 0xD8, 0xFF, 0xE0]),
            Some(PictureKind::Jpeg)
        );
        for svg in [
            "<svg/>",
            "\u{feff}<?xml version=\"1.0\"?>\n<!-- a > b -->\n<!DOCTYPE svg>\n<svg xmlns=\"x\">",
        ] {
            assert_eq!(
                PictureKind::of(svg.as_bytes()),
                Some(PictureKind::Svg),
                "{svg}"
            );
        }
        for other in [
            "",
            "<html><svg/></html>",
            "<svgish>",
            "<!-- <svg/>",
            "GIF89a",
            "%PDF-1.7",
        ] {
            assert_eq!(PictureKind::of(other.as_bytes()), None, "{other}");
        }
        assert_eq!(PictureKind::of(&png[..7]), None);
    }
}
