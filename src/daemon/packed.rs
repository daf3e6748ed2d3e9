//! A long text kept packed (gzip, RFC 1952): a state of a large layout is most of a megabyte, and a
//! tenth of that packed.
//!
//! Input: whoever writes the text, piece by piece. Output: the packed bytes, shared; the text
//! again, in pieces. It knows nothing of what the text says.

use std::io::{self, BufWriter, Read as _, Write};

use bytes::{Buf as _, Bytes};
use flate2::Compression;
use flate2::bufread::GzDecoder;
use flate2::write::GzEncoder;

/// Somebody waits for it.
const QUICK: Compression = Compression::new(3);
/// What is packed or unpacked at a time.
const PIECE: usize = 16 * 1_024;
/// The end of a packed text: checksum, and how long the text is.
const TAIL: usize = 8;

/// A text, packed.
#[derive(Clone, Debug, Default)]
pub struct Packed {
    gzip: Bytes,
}

impl Packed {
    /// Packs what is written.
    ///
    /// # Errors
    /// What the writer says; memory itself has no errors.
    pub fn new(write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> io::Result<Self> {
        let mut packer = BufWriter::with_capacity(PIECE, GzEncoder::new(Vec::new(), QUICK));
        write(&mut packer)?;
        let packer = packer
            .into_inner()
            .map_err(io::IntoInnerError::into_error)?;
        let mut gzip = packer.finish()?;
        gzip.shrink_to_fit();
        Ok(Self { gzip: gzip.into() })
    }

    /// As it is, for whoever takes gzip.
    #[must_use]
    pub fn gzip(&self) -> Bytes {
        self.gzip.clone()
    }

    /// How many bytes the text has, modulo 2^32 (RFC 1952, section 2.3.1: ISIZE).
    #[must_use]
    pub fn text_len(&self) -> usize {
        let at = self.gzip.len().saturating_sub(TAIL / 2);
        let size = self.gzip.get(at..).and_then(|size| size.try_into().ok());
        size.map_or(0, |size| u32::from_le_bytes(size) as usize)
    }

    /// The text in pieces.
    pub fn pieces(&self) -> impl Iterator<Item = Bytes> + use<> {
        let mut reader = GzDecoder::new(self.gzip().reader());
        std::iter::from_fn(move || {
            let mut piece = Vec::with_capacity(PIECE);
            // What was packed here is whole.
            let read = reader.by_ref().take(PIECE as u64).read_to_end(&mut piece);
            read.is_ok_and(|read| read > 0).then(|| piece.into())
        })
    }

    /// The text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = String::with_capacity(self.text_len());
        // As above.
        let _ = GzDecoder::new(&*self.gzip).read_to_string(&mut text);
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_packed_is_the_text_again() {
        let short = String::from("{}");
        let long: String = (0..9_000).map(|n| format!("{{\"id\":{n}}}é")).collect();
        for text in [String::new(), short, long] {
            let packed = Packed::new(|out| {
                // In small pieces, as JSON is written.
                text.as_bytes()
                    .chunks(7)
                    .try_for_each(|piece| out.write_all(piece))
            });
            let packed = packed.expect("packed");
            assert_eq!(packed.text(), text);
            assert_eq!(packed.text_len(), text.len());
            let pieces: Vec<Bytes> = packed.pieces().collect();
            assert!(pieces.iter().all(|piece| piece.len() <= PIECE));
            assert_eq!(pieces.concat(), text.as_bytes());
            let mut read = String::new();
            let mut reader = flate2::read::MultiGzDecoder::new(&*packed.gzip);
            reader.read_to_string(&mut read).expect("gzip");
            assert_eq!(read, text);
        }
    }

    #[test]
    fn what_cannot_be_written_is_said() {
        let error = Packed::new(|_| Err(io::Error::other("no"))).expect_err("an error");
        assert_eq!(error.to_string(), "no");
        let nothing = Packed::default();
        assert_eq!((nothing.text(), nothing.text_len()), (String::new(), 0));
        assert_eq!(nothing.pieces().count(), 0);
    }
}
