//! Who may ask: the checks before every request, and the headers on every answer.
//!
//! Three checks. The `Host` must be a name of ours, so that a foreign web site cannot reach the
//! daemon under a name of its own (DNS rebinding). What changes something must not come from
//! another origin (`Origin`, `Sec-Fetch-Site`) and must be JSON or empty, which a foreign form
//! cannot send. And where a PIN is set, what changes something needs its session (see
//! [`super::session`]). It knows nothing of what is asked.

use std::net::{IpAddr, SocketAddr};

use axum::extract::{Request, State};
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::http::{Method, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::Response;

use super::App;
use super::answer::Problem;

/// The names under which the daemon may be asked for.
#[derive(Clone, Debug)]
pub struct Names {
    listen: IpAddr,
    allowed: Vec<String>,
}

impl Names {
    /// The names of a listener: loopback names, the address itself, what the plan allows, and where
    /// it listens on every address, any literal address and names that end in `.local`.
    #[must_use]
    pub fn new(listen: SocketAddr, allowed_hosts: &[String]) -> Self {
        let allowed = allowed_hosts
            .iter()
            .map(|host| host.to_ascii_lowercase())
            .collect();
        Self {
            listen: listen.ip(),
            allowed,
        }
    }

    /// Whether a `Host` (with or without a port) is one of ours.
    #[must_use]
    pub fn knows(&self, host: &str) -> bool {
        let Some((name, _)) = split_port(host) else {
            return false;
        };
        let name = name.trim_end_matches('.').to_ascii_lowercase();
        if self.allowed.contains(&name) || name == "localhost" {
            return true;
        }
        match literal(&name) {
            Some(ip) => ip.is_loopback() || ip == self.listen || self.listen.is_unspecified(),
            // RFC 6762: `.local` is answered on the local link only.
            None => self.listen.is_unspecified() && name.ends_with(".local"),
        }
    }
}

/// An address, in brackets or not.
fn literal(name: &str) -> Option<IpAddr> {
    let bare = name
        .strip_prefix('[')
        .and_then(|rest| rest.strip_suffix(']'))
        .unwrap_or(name);
    bare.parse().ok()
}

/// Host and port of `host[:port]`; `None` where it is neither.
fn split_port(authority: &str) -> Option<(&str, Option<u16>)> {
    let (name, port) = match authority.rsplit_once(':') {
        // A colon inside brackets belongs to the address.
        Some((name, port)) if !port.contains(']') => (name, Some(port.parse().ok()?)),
        _ => (authority, None),
    };
    let ok = |c: char| c.is_ascii_alphanumeric() || "-._".contains(c);
    let bracketed = name.starts_with('[') && name.ends_with(']') && literal(name).is_some();
    let is_name = !name.is_empty() && name.chars().all(ok);
    (bracketed || is_name).then_some((name, port))
}

/// Whether an `Origin` is the one that this request was sent to.
fn is_same_origin(origin: &str, host: &str) -> bool {
    let (default_port, authority) = match origin.split_once("://") {
        Some(("http", authority)) => (80, authority),
        Some(("https", authority)) => (443, authority),
        // `null` and everything that is no web page.
        _ => return false,
    };
    let (Some(theirs), Some(ours)) = (split_port(authority), split_port(host)) else {
        return false;
    };
    let port = |port: Option<u16>| port.unwrap_or(default_port);
    theirs.0.eq_ignore_ascii_case(ours.0) && port(theirs.1) == port(ours.1)
}

/// Why a request is turned away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Refusal {
    Host,
    Origin,
    Body,
}

/// `Host` of the request line or of the header; exactly one, or both alike.
fn host_of<'a>(uri: &'a Uri, headers: &'a HeaderMap) -> Option<&'a str> {
    let mut hosts = headers.get_all(header::HOST).iter();
    let (first, second) = (hosts.next(), hosts.next());
    if second.is_some() {
        return None;
    }
    let header = first.and_then(|value| value.to_str().ok());
    match (uri.authority(), header) {
        (Some(line), Some(header)) => (line.as_str() == header).then_some(header),
        (Some(line), None) => Some(line.as_str()),
        (None, header) => header,
    }
}

fn check(names: &Names, method: &Method, uri: &Uri, headers: &HeaderMap) -> Result<(), Refusal> {
    let host = host_of(uri, headers)
        .filter(|host| names.knows(host))
        .ok_or(Refusal::Host)?;
    if matches!(*method, Method::GET | Method::HEAD) {
        return Ok(());
    }
    for origin in headers.get_all(header::ORIGIN) {
        let same = origin
            .to_str()
            .is_ok_and(|origin| is_same_origin(origin, host));
        if !same {
            return Err(Refusal::Origin);
        }
    }
    for site in headers.get_all("sec-fetch-site") {
        if !matches!(site.as_bytes(), b"same-origin" | b"none") {
            return Err(Refusal::Origin);
        }
    }
    if is_json(headers) || has_no_body(headers) {
        Ok(())
    } else {
        Err(Refusal::Body)
    }
}

fn is_json(headers: &HeaderMap) -> bool {
    let kind = headers
        .get(header::CONTENT_TYPE)
        .and_then(|value| value.to_str().ok());
    let essence = kind
        .and_then(|kind| kind.split(';').next())
        .unwrap_or("")
        .trim();
    essence.eq_ignore_ascii_case("application/json")
}

fn has_no_body(headers: &HeaderMap) -> bool {
    let length = headers
        .get(header::CONTENT_LENGTH)
        .map(HeaderValue::as_bytes);
    let chunked = headers.contains_key(header::TRANSFER_ENCODING);
    !chunked && matches!(length, None | Some(b"0"))
}

/// The checks of this module, before every request.
pub(super) async fn admit(State(app): State<App>, request: Request, next: Next) -> Response {
    let refusal = match check(
        &app.names,
        request.method(),
        request.uri(),
        request.headers(),
    ) {
        Ok(()) => return next.run(request).await,
        Err(refusal) => refusal,
    };
    match refusal {
        Refusal::Host => {
            app.hub.metrics.refused("host");
            let detail = "the daemon is not known by this name: ask for it by its address, or add \
                          the name to [web] allowed_hosts in the plan";
            Problem::new(StatusCode::MISDIRECTED_REQUEST, detail)
        }
        Refusal::Origin => {
            app.hub.metrics.refused("origin");
            let detail = "what changes something must come from the daemon's own page";
            Problem::new(StatusCode::FORBIDDEN, detail)
        }
        Refusal::Body => {
            app.hub.metrics.refused("origin");
            let detail = "the body must be JSON, sent as application/json";
            Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, detail)
        }
    }
    .into()
}

/// Headers that every answer carries.
const HEADERS: [(HeaderName, &str); 5] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; \
         object-src 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
];

/// Puts the headers on every answer; what nobody said how long to keep is not kept.
pub(super) async fn dress(request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers
        .entry(header::CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(listen: &str) -> Names {
        let listen = listen.parse().expect("an address");
        Names::new(listen, &["Layout-Pi".into()])
    }

    #[test]
    fn on_loopback_only_its_own_names_are_known() {
        let names = names("127.0.0.1:8080");
        for ours in [
            "localhost",
            "LOCALHOST:8080",
            "127.0.0.1:8080",
            "[::1]:8080",
            "layout-pi:80",
        ] {
            assert!(names.knows(ours), "{ours}");
        }
        for foreign in [
            "example.org",
            "localhost.example.org",
            "192.0.2.7",
            "pi.local",
            "",
            ":8080",
            "localhost:x",
            "127.0.0.1@example.org",
            "[::1",
            "a b",
        ] {
            assert!(!names.knows(foreign), "{foreign}");
        }
    }

    #[test]
    fn on_every_address_literals_and_link_local_names_are_known_and_no_others() {
        let names = names("0.0.0.0:8080");
        for ours in [
            "192.0.2.7:8080",
            "[2001:db8::1]",
            "pi.local:8080",
            "pi.local.",
        ] {
            assert!(names.knows(ours), "{ours}");
        }
        for foreign in ["example.org", "local", "pi.local.example.org"] {
            assert!(!names.knows(foreign), "{foreign}");
        }
        assert!(Names::new(([192, 0, 2, 7], 1).into(), &[]).knows("192.0.2.7"));
        assert!(!Names::new(([192, 0, 2, 7], 1).into(), &[]).knows("192.0.2.8"));
    }

    #[test]
    fn origins_are_compared_by_host_and_port() {
        assert!(is_same_origin("http://localhost:8080", "localhost:8080"));
        assert!(is_same_origin("http://layout-pi", "layout-pi:80"));
        assert!(is_same_origin("https://layout-pi", "layout-pi"));
        assert!(is_same_origin("http://[::1]:8080", "[::1]:8080"));
        for foreign in [
            "null",
            "http://localhost:8081",
            "http://localhost",
            "http://example.org:8080",
            "x",
        ] {
            assert!(!is_same_origin(foreign, "localhost:8080"), "{foreign}");
        }
    }

    fn verdict(method: Method, headers: &[(&'static str, &'static str)]) -> Result<(), Refusal> {
        let mut map = HeaderMap::new();
        map.append(header::HOST, HeaderValue::from_static("localhost:8080"));
        for (name, value) in headers {
            map.append(*name, HeaderValue::from_static(value));
        }
        check(
            &names("127.0.0.1:8080"),
            &method,
            &Uri::from_static("/x"),
            &map,
        )
    }

    #[test]
    fn what_changes_something_comes_from_our_page_or_from_no_page() {
        let json = ("content-type", "application/json; charset=utf-8");
        let length = ("content-length", "2");
        let ours = ("origin", "http://localhost:8080");
        assert_eq!(verdict(Method::POST, &[]), Ok(()));
        assert_eq!(verdict(Method::POST, &[json, length]), Ok(()));
        assert_eq!(
            verdict(
                Method::POST,
                &[json, ours, ("sec-fetch-site", "same-origin")]
            ),
            Ok(())
        );
        assert_eq!(verdict(Method::DELETE, &[ours]), Ok(()));
        for origin in ["http://example.org", "null", "https://localhost"] {
            let refused = verdict(Method::POST, &[json, ("origin", origin)]);
            assert_eq!(refused, Err(Refusal::Origin), "{origin}");
        }
        for site in ["cross-site", "same-site", "x"] {
            let refused = verdict(Method::POST, &[json, ("sec-fetch-site", site)]);
            assert_eq!(refused, Err(Refusal::Origin), "{site}");
        }
        assert_eq!(verdict(Method::POST, &[length]), Err(Refusal::Body));
        let form = ("content-type", "text/plain");
        assert_eq!(verdict(Method::POST, &[form, length]), Err(Refusal::Body));
        assert_eq!(
            verdict(Method::POST, &[("transfer-encoding", "chunked")]),
            Err(Refusal::Body)
        );
    }

    #[test]
    fn reading_asks_for_the_host_only_and_for_one_host() {
        assert_eq!(
            verdict(Method::GET, &[("origin", "http://example.org")]),
            Ok(())
        );
        assert_eq!(
            verdict(Method::GET, &[("host", "localhost")]),
            Err(Refusal::Host)
        );
        let none = HeaderMap::new();
        let names = names("127.0.0.1:8080");
        let line = Uri::from_static("http://example.org/x");
        assert_eq!(
            check(&names, &Method::GET, &line, &none),
            Err(Refusal::Host)
        );
        let path = Uri::from_static("/x");
        assert_eq!(
            check(&names, &Method::GET, &path, &none),
            Err(Refusal::Host)
        );
    }
}
