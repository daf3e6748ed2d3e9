//! The page: the files of the `page` directory, inside the program.
//!
//! One table; a file that is added to the directory is added here (a test compares the two). Every
//! answer has an `ETag`, and a browser that has the file is told so. Scripts and styles are sent
//! without indentation and the lines that are comments alone, and packed for who takes that: the
//! first sight of the page shall cost little. Both are in the sources.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::OnceLock;

use axum::extract::State;
use axum::http::header::{self, HeaderMap, HeaderValue};
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse as _, Response};

use super::App;
use super::answer::Problem;
use super::squeeze;

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
    "/acts.js" "acts.js" SCRIPT;
    "/announcer.js" "announcer.js" SCRIPT;
    "/app.js" "app.js" SCRIPT;
    "/attention.js" "attention.js" SCRIPT;
    "/chart.js" "chart.js" SCRIPT;
    "/dom.js" "dom.js" SCRIPT;
    "/help.js" "help.js" SCRIPT;
    "/history.js" "history.js" SCRIPT;
    "/kinds.js" "kinds.js" SCRIPT;
    "/lanes.js" "lanes.js" SCRIPT;
    "/lineup.js" "lineup.js" SCRIPT;
    "/more.js" "more.js" SCRIPT;
    "/now.js" "now.js" SCRIPT;
    "/parts.js" "parts.js" SCRIPT;
    "/past.js" "past.js" SCRIPT;
    "/plot.js" "plot.js" SCRIPT;
    "/road.js" "road.js" SCRIPT;
    "/sheet.js" "sheet.js" SCRIPT;
    "/start.js" "start.js" SCRIPT;
    "/store.js" "store.js" SCRIPT;
    "/stream.js" "stream.js" SCRIPT;
    "/strip.js" "strip.js" SCRIPT;
    "/sw.js" "sw.js" SCRIPT;
    "/tiles.js" "tiles.js" SCRIPT;
    "/topology.js" "topology.js" SCRIPT;
    "/upkeep.js" "upkeep.js" SCRIPT;
    "/views.js" "views.js" SCRIPT;
    "/watch.js" "watch.js" SCRIPT;
    "/words.js" "words.js" SCRIPT;
    "/style.css" "style.css" STYLE;
    "/icon.svg" "icon.svg" SVG;
    "/manifest.webmanifest" "manifest.webmanifest" MANIFEST;
}

/// A file as it is sent.
#[derive(Debug)]
struct Sent {
    bytes: Vec<u8>,
    tag: HeaderValue,
}

impl Sent {
    fn new(bytes: Vec<u8>) -> Self {
        let tag = tag(&bytes);
        Self { bytes, tag }
    }
}

/// A file, and how it is sent: made when it is asked for first, so that the start is quick.
#[derive(Debug)]
struct Entry {
    asset: &'static Asset,
    plain: OnceLock<Sent>,
    packed: OnceLock<Sent>,
}

impl Entry {
    fn plain(&self) -> &Sent {
        self.plain
            .get_or_init(|| Sent::new(lean(self.asset).into_owned()))
    }

    fn packed(&self) -> &Sent {
        self.packed
            .get_or_init(|| Sent::new(squeeze::pack(&lean(self.asset))))
    }
}

/// The files by path.
#[derive(Debug)]
pub(super) struct Assets {
    by_path: BTreeMap<&'static str, Entry>,
}

impl Assets {
    /// The table.
    pub(super) fn new() -> Self {
        let row = |asset: &'static Asset| {
            let (plain, packed) = (OnceLock::new(), OnceLock::new());
            let entry = Entry {
                asset,
                plain,
                packed,
            };
            (asset.path, entry)
        };
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
    let Some(entry) = app.assets.by_path.get(uri.path()) else {
        return Problem::new(StatusCode::NOT_FOUND, "there is no such file").into();
    };
    let packed = squeeze::taken(&headers);
    let sent = if packed {
        entry.packed()
    } else {
        entry.plain()
    };
    let has_it = headers.get_all(header::IF_NONE_MATCH).iter().any(|known| {
        let known = known.to_str().unwrap_or("");
        known
            .split(',')
            .any(|known| known.trim().trim_start_matches("W/").as_bytes() == sent.tag.as_bytes())
    });
    // The browser asks each time and is told 'not modified': after an update of the program the
    // page and its scripts always belong together.
    let keep = HeaderValue::from_static("no-cache");
    let vary = HeaderValue::from_static("accept-encoding");
    let common = [
        (header::ETAG, sent.tag.clone()),
        (header::CACHE_CONTROL, keep),
        (header::VARY, vary),
    ];
    if has_it {
        return (StatusCode::NOT_MODIFIED, common).into_response();
    }
    let kind = [(
        header::CONTENT_TYPE,
        HeaderValue::from_static(entry.asset.kind),
    )];
    let mut response = (common, kind, sent.bytes.clone()).into_response();
    if packed {
        squeeze::mark(response.headers_mut());
    }
    response
}

/// A script or a style without the lines that are comments alone; everything else as it is.
fn lean(asset: &Asset) -> Cow<'static, [u8]> {
    let text = std::str::from_utf8(asset.bytes).ok();
    let Some(text) = text.filter(|_| [SCRIPT, STYLE].contains(&asset.kind)) else {
        return Cow::Borrowed(asset.bytes);
    };
    let mut out = String::with_capacity(text.len());
    let mut inside = false;
    for line in text.lines() {
        let bare = line.trim();
        let begins = bare.starts_with("/*");
        if inside || begins {
            inside = !bare.ends_with("*/");
            continue;
        }
        if bare.is_empty() || (asset.kind == SCRIPT && bare.starts_with("//")) {
            continue;
        }
        out.push_str(bare);
        out.push('\n');
    }
    Cow::Owned(out.into_bytes())
}

/// A tag that differs when the bytes do: FNV-1a, 64 bits.
fn tag(bytes: &[u8]) -> HeaderValue {
    let step = |hash: u64, byte: &u8| (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
    let hash = bytes.iter().fold(0xcbf2_9ce4_8422_2325, step);
    // Quotes and hexadecimal digits are always a header value; a tag that is none only costs a
    // second sending.
    HeaderValue::from_str(&format!("\"{hash:016x}\"")).unwrap_or(HeaderValue::from_static("\"\""))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Indentation can be left out only where no text of a script spans lines; an expression in
    /// one may.
    #[test]
    fn no_text_of_a_script_spans_lines() {
        let scripts = ASSETS.iter().filter(|asset| asset.kind == SCRIPT);
        for asset in scripts {
            let sent = lean(asset);
            let text = std::str::from_utf8(&sent).expect("text");
            for line in text
                .lines()
                .filter(|line| line.matches('`').count() % 2 == 1)
            {
                let in_expression = line.ends_with("${") || line.starts_with('}');
                assert!(in_expression, "{}: {line}", asset.path);
            }
        }
    }

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
    /// Comment lines go, and nothing else does: what is left is a part of the file, in order.
    #[test]
    fn only_lines_that_are_comments_go() {
        for asset in ASSETS {
            let lean = lean(asset);
            let text = std::str::from_utf8(asset.bytes).expect("text");
            let left = std::str::from_utf8(&lean).expect("text");
            if ![SCRIPT, STYLE].contains(&asset.kind) {
                assert_eq!(text, left, "{}", asset.path);
                continue;
            }
            if asset.kind == STYLE {
                assert!(left.len() < text.len(), "{}", asset.path);
                assert_eq!(rules(text), rules(left), "{}", asset.path);
                continue;
            }
            let mut left = left.lines().peekable();
            for line in text.lines() {
                let bare = line.trim();
                if left.next_if_eq(&bare).is_some() {
                    continue;
                }
                let comment = ["//", "/*", "*"].iter().any(|mark| bare.starts_with(mark));
                assert!(bare.is_empty() || comment, "{}: {bare}", asset.path);
            }
            assert_eq!(left.next(), None, "{}", asset.path);
        }
    }

    /// A style sheet without comments, spaces and ends of lines.
    fn rules(text: &str) -> String {
        let mut out = String::new();
        let mut rest = text;
        while let Some((before, after)) = rest.split_once("/*") {
            out.push_str(before);
            rest = after.split_once("*/").map_or("", |(_, after)| after);
        }
        out.push_str(rest);
        out.retain(|c| !c.is_whitespace());
        out
    }
}
