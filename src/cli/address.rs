//! Where the page is, for people: as text and as a QR code for a phone.

use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};

use qrcode::QrCode;
use qrcode::render::unicode::Dense1x2;

/// The page's address for a listener.
#[must_use]
pub fn page(listener: SocketAddr, secure: bool) -> String {
    let scheme = if secure { "https" } else { "http" };
    format!("{scheme}://{}/", reachable(listener))
}

/// The broker's address for a listener.
#[must_use]
pub fn broker(listener: SocketAddr) -> String {
    format!("mqtt://{}", reachable(listener))
}

/// A listener on every address is reached by the one that this computer has on its network.
fn reachable(listener: SocketAddr) -> SocketAddr {
    if !listener.ip().is_unspecified() {
        return listener;
    }
    let ip = lan().unwrap_or(IpAddr::V4(Ipv4Addr::LOCALHOST));
    SocketAddr::new(ip, listener.port())
}

/// This computer's address on its network. Nothing is sent: the system only looks up the way to an
/// address that is reserved for documentation (RFC 5737, TEST-NET-1).
fn lan() -> Option<IpAddr> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    let ip = socket.local_addr().ok()?.ip();
    (!ip.is_unspecified()).then_some(ip)
}

/// The QR code of an address, in characters; `None` where it is too long for one.
///
/// `coloured` is for a terminal: black on white whatever its own colours are, because a phone may
/// not read a code that is light on dark.
#[must_use]
pub fn qr(address: &str, coloured: bool) -> Option<String> {
    let code = QrCode::new(address).ok()?;
    let text = code.render::<Dense1x2>().quiet_zone(true).build();
    if !coloured {
        return Some(text);
    }
    // ECMA-48, select graphic rendition: black, on bright white, and back.
    let lines = text
        .lines()
        .map(|line| format!("\x1b[30;107m{line}\x1b[0m"));
    Some(lines.collect::<Vec<_>>().join("\n"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_listener_on_loopback_keeps_its_address() {
        let listener = "127.0.0.1:8080".parse().expect("an address");
        assert_eq!(page(listener, false), "http://127.0.0.1:8080/");
        assert_eq!(page(listener, true), "https://127.0.0.1:8080/");
        let every = "0.0.0.0:8080".parse().expect("an address");
        assert!(!page(every, false).contains("0.0.0.0"));
    }

    #[test]
    fn an_address_has_a_code_and_a_novel_has_none() {
        let code = qr("http://192.0.2.7:8080/", false).expect("a code");
        assert!(code.lines().count() > 10 && !code.contains('\x1b'));
        let coloured = qr("http://192.0.2.7:8080/", true).expect("a code");
        assert!(coloured.lines().all(|line| line.ends_with("\x1b[0m")));
        assert!(qr(&"x".repeat(10_000), true).is_none());
    }
}
