//! Little-endian fields of a byte string, taken from the front: what a WAV
//! header and a frame of the device protocol are read with. `None` where too
//! few bytes are left.

/// The bytes not yet taken.
pub(super) struct FieldReader<'a>(pub(super) &'a [u8]);

impl FieldReader<'_> {
    pub(super) fn take<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (head, tail) = self.0.split_first_chunk::<N>()?;
        self.0 = tail;
        Some(*head)
    }

    pub(super) fn u16(&mut self) -> Option<u16> {
        self.take().map(u16::from_le_bytes)
    }

    pub(super) fn u32(&mut self) -> Option<u32> {
        self.take().map(u32::from_le_bytes)
    }

    pub(super) fn u64(&mut self) -> Option<u64> {
        self.take().map(u64::from_le_bytes)
    }

    pub(super) fn f64(&mut self) -> Option<f64> {
        self.take().map(f64::from_le_bytes)
    }

    /// A length byte and as many bytes of UTF-8.
    pub(super) fn text(&mut self) -> Option<String> {
        let [length] = self.take()?;
        let (text, tail) = self.0.split_at_checked(usize::from(length))?;
        self.0 = tail;
        String::from_utf8(text.to_vec()).ok()
    }
}
