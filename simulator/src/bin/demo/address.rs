//! Where the page is, for people: as text and as a QR code for a phone.
//!
//! Input: where the page listens. Output: an address that another device can use. Nothing is sent
//! to find it out.

use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};

use qrcode::QrCode;
use qrcode::render::unicode::Dense1x2;

/// The page's address for a listener.
#[must_use]
pub fn page(listener: SocketAddr) -> String {
    let ip = if listener.ip().is_unspecified() {
        lan().unwrap_or(IpAddr::V4(Ipv4Addr::LOCALHOST))
    } else {
        listener.ip()
    };
    format!("http://{}/", SocketAddr::new(ip, listener.port()))
}

/// The QR code of an address, in characters; `None` where it is too long for one.
#[must_use]
pub fn qr(address: &str) -> Option<String> {
    let code = QrCode::new(address).ok()?;
    Some(code.render::<Dense1x2>().quiet_zone(true).build())
}

/// This computer's address on its network: the system looks up the way to an address that is
/// reserved for documentation (RFC 5737, TEST-NET-1).
fn lan() -> Option<IpAddr> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    let ip = socket.local_addr().ok()?.ip();
    (!ip.is_unspecified()).then_some(ip)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loopback_stays_what_it_is_and_every_address_becomes_one() {
        let loopback = SocketAddr::from(([127, 0, 0, 1], 8080));
        assert_eq!(page(loopback), "http://127.0.0.1:8080/");
        let every = SocketAddr::from(([0, 0, 0, 0], 8080));
        assert!(!page(every).contains("0.0.0.0"));
    }

    #[test]
    fn an_address_has_a_code() {
        assert!(qr("http://192.0.2.7:8080/").is_some_and(|code| code.lines().count() > 10));
    }
}
