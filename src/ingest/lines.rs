//! Plain text lines: one frame of samples a line, numbers separated by commas.
//!
//! In: bytes in any portions. Out: one row of numbers a line. Pure: no port,
//! no clock. Text does not show losses by itself; a device can add a
//! sample counter and a check sum (guide, page "device protocol").

/// A line longer than this is none.
const MAX_LINE_BYTES: usize = 4_096;

/// What one line says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TextLine<'a> {
    /// Sample counter, modulo 2³², if the line has one.
    pub counter: Option<u32>,
    /// The numbers, at least one; NaN where the channel has no value.
    pub values: &'a [f64],
}

/// A good line whose values are in the decoder.
struct Parsed {
    counter: Option<u32>,
}

/// Takes bytes in any portions.
#[derive(Debug, Clone, Default)]
pub struct LineDecoder {
    bytes: Vec<u8>,
    values: Vec<f64>,
    overflow: bool,
    /// The first line end was seen; before it the line may be half.
    is_aligned: bool,
    /// A line with a right check sum was seen; from then on all need one.
    needs_check_sum: bool,
    damaged: u64,
}

impl LineDecoder {
    /// Takes the bytes that came next. Hands each good line to `take`, and
    /// `None` for each damaged one.
    pub fn push(&mut self, mut bytes: &[u8], mut take: impl FnMut(Option<TextLine<'_>>)) {
        while let Some(end) = bytes.iter().position(|byte| *byte == b'\n') {
            let (stretch, rest) = bytes.split_at(end);
            self.append(stretch);
            self.finish_line(&mut take);
            bytes = rest.get(1..).unwrap_or_default();
        }
        self.append(bytes);
    }

    /// Forgets an unfinished line, as after the line was cut.
    pub fn reset(&mut self) {
        self.bytes.clear();
        self.overflow = false;
        self.is_aligned = false;
    }

    /// Lines that were no numbers, too long, or altered.
    pub fn damaged(&self) -> u64 {
        self.damaged
    }

    fn append(&mut self, stretch: &[u8]) {
        if self.bytes.len() + stretch.len() > MAX_LINE_BYTES {
            self.overflow = true;
            self.bytes.clear();
        }
        if !self.overflow {
            self.bytes.extend_from_slice(stretch);
        }
    }

    fn finish_line(&mut self, take: &mut impl FnMut(Option<TextLine<'_>>)) {
        let bytes = std::mem::take(&mut self.bytes);
        let overflow = std::mem::take(&mut self.overflow);
        let was_aligned = std::mem::replace(&mut self.is_aligned, true);
        let text = bytes.trim_ascii();
        if was_aligned && (overflow || !text.is_empty()) {
            let parsed = if overflow { None } else { self.parse(text) };
            if parsed.is_none() {
                self.damaged += 1;
            }
            take(parsed.map(|parsed| TextLine {
                counter: parsed.counter,
                values: &self.values,
            }));
        }
        self.bytes = bytes;
        self.bytes.clear();
    }

    /// `[#COUNTER,]NUMBER[,NUMBER…][*HH]` into `values`.
    fn parse(&mut self, text: &[u8]) -> Option<Parsed> {
        let text = std::str::from_utf8(text).ok()?;
        let text = match text.rsplit_once('*') {
            Some((covered, sum)) => {
                let expected = covered.bytes().fold(0, |sum, byte| sum ^ byte);
                if sum.len() != 2 || u8::from_str_radix(sum, 16) != Ok(expected) {
                    return None;
                }
                self.needs_check_sum = true;
                covered
            }
            None if self.needs_check_sum => return None,
            None => text,
        };
        let (counter, text) = match text.strip_prefix('#') {
            Some(rest) => {
                let (counter, rest) = rest.split_once(',')?;
                (Some(counter.trim().parse().ok()?), rest)
            }
            None => (None, text),
        };
        self.values.clear();
        for field in text.split(',') {
            let value: f64 = field.trim().parse().ok()?;
            if value.is_infinite() {
                return None;
            }
            self.values.push(value);
        }
        Some(Parsed { counter })
    }
}
