//! Less to send: gzip (RFC 1952) for clients that take it.
//!
//! Files and whole states are packed once, other answers one by one, and a stream piece by piece:
//! what is long is deflated (RFC 1951), what is short goes as a stored block, so that an open
//! stream holds no compressor. It knows nothing of what is sent.

use axum::body::{Body, HttpBody as _};
use axum::extract::Request;
use axum::http::header::{self, HeaderMap, HeaderValue};
use axum::middleware::Next;
use axum::response::Response;
use flate2::{Compress, Compression, FlushCompress, GzBuilder};
use std::io::Write as _;

use crate::daemon::packed::Packed;

/// Below this many bytes nothing is gained.
const LONG: usize = 1_024;
/// For what is packed while somebody waits.
const QUICK: u32 = 4;
/// A stored block's most bytes (RFC 1951, section 3.2.4).
const STORED_MAX: usize = 65_535;
/// A gzip member's head: deflate, no name, no time, unknown system.
const HEAD: [u8; 10] = [0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255];

/// Whether the client takes gzip: named, or any by `*`, and not with a weight of nought (RFC 9110,
/// section 12.5.3).
pub(super) fn taken(headers: &HeaderMap) -> bool {
    let all = headers.get_all(header::ACCEPT_ENCODING).iter();
    let each = all.filter_map(|value| value.to_str().ok());
    let mut any = false;
    for coding in each.flat_map(|value| value.split(',')) {
        let mut parts = coding.split(';').map(str::trim);
        let name = parts.next().unwrap_or("").to_ascii_lowercase();
        let weight = parts.find_map(|part| part.strip_prefix("q=")?.parse::<f32>().ok());
        let good = weight.is_none_or(|weight| weight > 0.0);
        match name.as_str() {
            "gzip" | "x-gzip" => return good,
            "*" => any = good,
            _ => {}
        }
    }
    any
}

/// Packed as a whole, as small as it gets.
pub(super) fn pack(bytes: &[u8]) -> Vec<u8> {
    gzip(bytes, Compression::best())
}

fn gzip(bytes: &[u8], level: Compression) -> Vec<u8> {
    let mut packer = GzBuilder::new().write(Vec::new(), level);
    // Writing into memory does not fail; if it did, the bytes would be incomplete.
    let written = packer.write_all(bytes).and_then(|()| packer.finish());
    written.unwrap_or_default()
}

/// Marks an answer as packed.
pub(super) fn mark(headers: &mut HeaderMap) {
    let gzip = HeaderValue::from_static("gzip");
    headers.insert(header::CONTENT_ENCODING, gzip);
}

/// An answer that is kept packed: as it is for who takes that, in pieces for who does not.
pub(super) fn kept(
    answer: impl FnOnce(Body) -> Response,
    packed: &Packed,
    taken: bool,
) -> Response {
    if taken {
        let mut response = answer(packed.gzip().into());
        mark(response.headers_mut());
        vary(response.headers_mut());
        return response;
    }
    let pieces = packed.pieces().map(Ok::<_, std::convert::Infallible>);
    let mut response = answer(Body::from_stream(futures_util::stream::iter(pieces)));
    let length = HeaderValue::from(packed.text_len());
    response
        .headers_mut()
        .insert(header::CONTENT_LENGTH, length);
    response
}

/// What is sent depends on what is taken.
fn vary(headers: &mut HeaderMap) {
    let coding = HeaderValue::from_static("accept-encoding");
    headers.insert(header::VARY, coding);
}

/// Packs long answers of the API.
pub(super) async fn answers(request: Request, next: Next) -> Response {
    let wanted = taken(request.headers());
    let mut response = next.run(request).await;
    if !is_text(&response) {
        return response;
    }
    vary(response.headers_mut());
    let length = response.body().size_hint().exact().unwrap_or(0);
    if !wanted || length < LONG as u64 {
        return response;
    }
    let (mut head, body) = response.into_parts();
    let Ok(bytes) = axum::body::to_bytes(body, usize::MAX).await else {
        return Response::from_parts(head, Body::empty());
    };
    let packed = gzip(&bytes, Compression::new(QUICK));
    head.headers.remove(header::CONTENT_LENGTH);
    mark(&mut head.headers);
    Response::from_parts(head, Body::from(packed))
}

fn is_text(response: &Response) -> bool {
    let kind = response.headers().get(header::CONTENT_TYPE);
    let kind = kind.and_then(|kind| kind.to_str().ok()).unwrap_or("");
    let texts = ["application/json", "text/plain", "text/csv"];
    let known = texts.iter().any(|text| kind.starts_with(text));
    known && !response.headers().contains_key(header::CONTENT_ENCODING)
}

/// A stream that is packed piece by piece, or not at all.
#[derive(Debug)]
pub(super) struct Pieces {
    packed: bool,
    begun: bool,
}

impl Pieces {
    pub(super) fn new(packed: bool) -> Self {
        Self {
            packed,
            begun: false,
        }
    }

    /// The bytes for the next piece of text; each can be read as soon as it has arrived.
    pub(super) fn next(&mut self, text: String) -> Vec<u8> {
        if !self.packed {
            return text.into_bytes();
        }
        let mut out = Vec::with_capacity(text.len().min(STORED_MAX) + 32);
        if !self.begun {
            self.begun = true;
            out.extend(HEAD);
        }
        match deflated(text.as_bytes()) {
            Some(bytes) => out.extend(bytes),
            None => stored(text.as_bytes(), &mut out),
        }
        out
    }
}

/// Deflate blocks that end at a byte's edge; `None` where that would gain nothing. They refer to
/// nothing before them, so that nothing has to be remembered.
fn deflated(bytes: &[u8]) -> Option<Vec<u8>> {
    if bytes.len() < LONG {
        return None;
    }
    let mut packer = Compress::new(Compression::new(QUICK), false);
    let mut out = Vec::with_capacity(bytes.len() / 2 + 64);
    loop {
        let read = usize::try_from(packer.total_in()).ok()?;
        let rest = bytes.get(read..)?;
        let room = out.len();
        packer
            .compress_vec(rest, &mut out, FlushCompress::Sync)
            .ok()?;
        let done = usize::try_from(packer.total_in()).ok()? == bytes.len();
        // With room left over, the flush is complete too.
        if done && out.len() < out.capacity() {
            return Some(out);
        }
        if out.len() == room && out.len() < out.capacity() {
            return None;
        }
        out.reserve(bytes.len() / 4 + 64);
    }
}

/// Stored blocks (RFC 1951, section 3.2.4), none of them the last.
fn stored(bytes: &[u8], out: &mut Vec<u8>) {
    for block in bytes.chunks(STORED_MAX) {
        let length = u16::try_from(block.len()).unwrap_or(u16::MAX);
        out.push(0);
        out.extend(length.to_le_bytes());
        out.extend((!length).to_le_bytes());
        out.extend(block);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Read as _;

    fn accepts(value: &str) -> bool {
        let mut headers = HeaderMap::new();
        let value = HeaderValue::from_str(value).expect("a header");
        headers.insert(header::ACCEPT_ENCODING, value);
        taken(&headers)
    }

    /// RFC 9110, section 12.5.3, with its examples.
    #[test]
    fn who_takes_gzip() {
        for yes in [
            "gzip",
            "compress, gzip",
            "*",
            "gzip;q=1.0, identity; q=0.5, *;q=0",
        ] {
            assert!(accepts(yes), "{yes}");
        }
        for no in ["", "identity", "gzip;q=0", "*;q=0", "br", "gzip;q=0, *"] {
            assert!(!accepts(no), "{no}");
        }
        assert!(!taken(&HeaderMap::new()));
    }

    /// Read by another reader than the one that wrote it: flate2's, which follows RFC 1952.
    #[test]
    fn every_piece_can_be_read_at_once() {
        let mut pieces = Pieces::new(true);
        let long: String = (0..9_000).map(|n| format!("{{\"id\":{n}}}")).collect();
        let random: String = (0..70_000u32)
            .map(|n| char::from(b' ' + (n.wrapping_mul(2_654_435_761) >> 26) as u8))
            .collect();
        let texts = [
            long,
            ": still here\n\n".into(),
            random,
            String::new(),
            "é".repeat(70_000),
        ];
        let mut sent = Vec::new();
        let mut expected = String::new();
        for text in texts {
            expected += &text;
            sent.extend(pieces.next(text));
            let mut read = vec![0; expected.len()];
            let mut reader = flate2::read::GzDecoder::new(sent.as_slice());
            reader.read_exact(&mut read).expect("all of it is there");
            assert_eq!(read, expected.as_bytes());
        }
        assert!(sent.len() < expected.len() / 2 + 80_000);
    }

    #[test]
    fn what_is_not_packed_stays_as_it_is() {
        assert_eq!(
            Pieces::new(false).next("data: a\n\n".into()),
            b"data: a\n\n"
        );
        let mut read = String::new();
        let packed = pack(b"twice twice twice");
        let mut reader = flate2::read::GzDecoder::new(packed.as_slice());
        reader.read_to_string(&mut read).expect("gzip");
        assert_eq!(read, "twice twice twice");
    }
}
