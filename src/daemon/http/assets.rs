//! The page: the files of the `page` directory, inside the program.
//!
//! One table; a file that is added to the directory is added here (a test compares the two). Every
//! answer has an `ETag`, and a browser that has the file is told so. Nothing is compressed: the
//! whole page is small, and the network is a local one.

use std::collections::BTreeMap;

use axum::extract::State;
use axum::http::header::{self, HeaderMap, HeaderValue};
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse as _, Response};

use super::App;
use super::answer::Problem;

/// One file.
#[derive(Debug)]
struct Asset {
    /// Where it is asked for; the first page at `/`.
    path: &'static str,
    kind: &'static str,
    bytes: &'static [u8],
}

const HTML: &str = "text/html; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";
const STYLE: &str = "text/css; charset=utf-8";
const SVG: &str = "image/svg+xml";
const MANIFEST: &str = "application/manifest+json";

macro_rules! assets {
    ($($path:literal $file:literal $kind:ident;)*) => {
        const ASSETS: &[Asset] = &[$(
            Asset { path: $path, kind: $kind, bytes: include_bytes!(concat!("page/", $file)) },
        )*];
        #[cfg(test)]
        const FILES: &[&str] = &[$($file),*];
    };
}

assets! {
    "/" "index.html" HTML;
    "/act.js" "act.js" SCRIPT;
    "/announcer.js" "announcer.js" SCRIPT;
    "/app.js" "app.js" SCRIPT;
    "/attention.js" "attention.js" SCRIPT;
    "/dom.js" "dom.js" SCRIPT;
    "/help.js" "help.js" SCRIPT;
    "/kinds.js" "kinds.js" SCRIPT;
    "/now.js" "now.js" SCRIPT;
    "/road.js" "road.js" SCRIPT;
    "/sheet.js" "sheet.js" SCRIPT;
    "/store.js" "store.js" SCRIPT;
    "/stream.js" "stream.js" SCRIPT;
    "/strip.js" "strip.js" SCRIPT;
    "/topology.js" "topology.js" SCRIPT;
    "/views.js" "views.js" SCRIPT;
    "/watch.js" "watch.js" SCRIPT;
    "/words.js" "words.js" SCRIPT;
    "/style.css" "style.css" STYLE;
    "/icon.svg" "icon.svg" SVG;
    "/manifest.webmanifest" "manifest.webmanifest" MANIFEST;
}

/// The files by path, with their tags.
#[derive(Debug)]
pub(super) struct Assets {
    by_path: BTreeMap<&'static str, (&'static Asset, HeaderValue)>,
}

impl Assets {
    /// The table with a tag for each file.
    pub(super) fn new() -> Self {
        let row = |asset: &'static Asset| (asset.path, (asset, tag(asset.bytes)));
        Self {
            by_path: ASSETS.iter().map(row).collect(),
        }
    }

    /// The paths that are served.
    pub(super) fn paths() -> impl Iterator<Item = &'static str> {
        ASSETS.iter().map(|asset| asset.path)
    }
}

/// One file of the page.
pub(super) async fn get(State(app): State<App>, uri: Uri, headers: HeaderMap) -> Response {
    let Some((asset, tag)) = app.assets.by_path.get(uri.path()) else {
        return Problem::new(StatusCode::NOT_FOUND, "there is no such file").into();
    };
    let has_it = headers.get_all(header::IF_NONE_MATCH).iter().any(|known| {
        let known = known.to_str().unwrap_or("");
        known
            .split(',')
            .any(|known| known.trim().trim_start_matches("W/").as_bytes() == tag.as_bytes())
    });
    // The browser asks each time and is told 'not modified': after an update of the program the
    // page and its scripts always belong together.
    let keep = HeaderValue::from_static("no-cache");
    let common = [(header::ETAG, tag.clone()), (header::CACHE_CONTROL, keep)];
    if has_it {
        return (StatusCode::NOT_MODIFIED, common).into_response();
    }
    let kind = [(header::CONTENT_TYPE, HeaderValue::from_static(asset.kind))];
    (common, kind, asset.bytes).into_response()
}

/// A tag that differs when the bytes do: FNV-1a, 64 bits.
fn tag(bytes: &[u8]) -> HeaderValue {
    let step = |hash: u64, byte: &u8| (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
    let hash = bytes.iter().fold(0xcbf2_9ce4_8422_2325, step);
    HeaderValue::from_str(&format!("\"{hash:016x}\""))
        .expect("quotes and hexadecimal digits are a header value")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FNV-1a, 64 bits: values published with the algorithm (Fowler, Noll, Vo; from memory).
    #[test]
    fn tags_are_fnv_1a() {
        assert_eq!(tag(b""), "\"cbf29ce484222325\"");
        assert_eq!(tag(b"a"), "\"af63dc4c8601ec8c\"");
        assert_eq!(tag(b"foobar"), "\"85944171f73967e8\"");
    }

    #[test]
    fn every_file_of_the_page_is_in_the_table() {
        let mut files = Vec::new();
        let page = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/daemon/http/page");
        for entry in std::fs::read_dir(page).expect("the page's directory") {
            let name = entry
                .expect("an entry")
                .file_name()
                .into_string()
                .expect("plain names");
            files.push(name);
        }
        files.sort_unstable();
        let mut table: Vec<&str> = FILES.to_vec();
        table.sort_unstable();
        assert_eq!(files, table);
    }
}
