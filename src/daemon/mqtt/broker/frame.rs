//! From bytes to packets: what is checked before and beside the codec.
//!
//! In: a connection's read buffer. Out: one whole packet, nothing yet, or a refusal. The codec
//! reads fields; here are the rules of MQTT 3.1.1 that it leaves to the server: who may send which
//! packet, reserved bits, the protocol level. It holds no state.

use bytes::BytesMut;
use rumqttc::mqttbytes::v4::Packet;
use rumqttc::mqttbytes::{Error, FixedHeader, PacketType, check};

/// Why bytes are not a packet that a client may send. The connection is closed for any of them.
#[derive(Debug, thiserror::Error)]
pub(super) enum FrameError {
    /// The codec's own finding.
    #[error("{0}")]
    Codec(#[from] Error),
    /// A packet that only a server sends.
    #[error("a {0:?} packet, which only a server sends")]
    NotForServers(PacketType),
    /// Reserved bits that are not as they must be.
    #[error("reserved bits are not as they must be")]
    Reserved,
    /// CONNECT of another protocol version (3.1.2-2): to be answered with return code 1.
    #[error("a protocol version other than 3.1.1")]
    Version,
}

/// Takes one packet off the buffer. `None`: it is not there in full yet.
pub(super) fn take(inbound: &mut BytesMut, bytes_max: usize) -> Result<Option<Packet>, FrameError> {
    let Some(first) = inbound.first() else {
        return Ok(None);
    };
    // Rubbish is known by its first byte: there is no need to wait for the length that it claims.
    check_first(*first)?;
    let header = match check(inbound.iter(), bytes_max) {
        Ok(header) => header,
        Err(Error::InsufficientBytes(_)) => return Ok(None),
        Err(error) => return Err(error.into()),
    };
    if header.packet_type()? == PacketType::Connect {
        check_connect(inbound, header.frame_length())?;
    }
    Ok(Some(Packet::read(inbound, bytes_max)?))
}

/// Packet type and reserved bits (2.2.1, 2.2.2).
fn check_first(first: u8) -> Result<(), FrameError> {
    let kind = FixedHeader::new(first, 1, 0).packet_type()?;
    let flags = first & 0x0F;
    let right = match kind {
        PacketType::Publish => true,
        PacketType::PubRel | PacketType::Subscribe | PacketType::Unsubscribe => flags == 0b0010,
        PacketType::ConnAck | PacketType::SubAck | PacketType::UnsubAck | PacketType::PingResp => {
            return Err(FrameError::NotForServers(kind));
        }
        PacketType::Connect
        | PacketType::PubAck
        | PacketType::PubRec
        | PacketType::PubComp
        | PacketType::PingReq
        | PacketType::Disconnect => flags == 0,
    };
    right.then_some(()).ok_or(FrameError::Reserved)
}

/// The variable header of CONNECT: protocol name, level and flags (3.1.2.1 to 3.1.2.3).
fn check_connect(inbound: &BytesMut, frame_length: usize) -> Result<(), FrameError> {
    let header_length = 1
        + inbound
            .iter()
            .skip(1)
            .take_while(|byte| **byte >= 0x80)
            .count()
        + 1;
    let body = inbound.get(header_length..frame_length).unwrap_or_default();
    // MQTT 3.1 called itself MQIsdp at level 3.
    if body.starts_with(b"\x00\x06MQIsdp") {
        return Err(FrameError::Version);
    }
    let Some(rest) = body.strip_prefix(b"\x00\x04MQTT") else {
        return Err(Error::InvalidProtocol.into());
    };
    match rest {
        [4, flags, ..] => {
            let user = flags & 0x80 != 0;
            let password = flags & 0x40 != 0;
            // 3.1.2-3: the lowest bit is reserved; 3.1.2-22: no password without a user.
            if flags & 1 != 0 || (password && !user) {
                return Err(FrameError::Reserved);
            }
            Ok(())
        }
        [_, _, ..] => Err(FrameError::Version),
        _ => Err(Error::MalformedPacket.into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rumqttc::mqttbytes::v4::{Connect, PubAck};

    fn taken(bytes: &[u8]) -> Result<Option<Packet>, FrameError> {
        take(&mut BytesMut::from(bytes), 1_000)
    }

    fn connect_bytes() -> BytesMut {
        let mut bytes = BytesMut::new();
        let mut connect = Connect::new("c");
        connect.set_login("u", "p");
        connect.write(&mut bytes).expect("a small packet");
        bytes
    }

    #[test]
    fn whole_packets_only() {
        let bytes = connect_bytes();
        for end in 0..bytes.len() {
            assert!(matches!(taken(&bytes[..end]), Ok(None)), "{end} bytes");
        }
        assert!(matches!(taken(&bytes), Ok(Some(Packet::Connect(_)))));
        let mut two = BytesMut::from(&b"\x40\x02\x00\x01\xc0\x00"[..]);
        let first = take(&mut two, 1_000).expect("good bytes");
        assert_eq!(first, Some(Packet::PubAck(PubAck::new(1))));
        assert_eq!(
            take(&mut two, 1_000).expect("good bytes"),
            Some(Packet::PingReq)
        );
    }

    #[test]
    fn other_versions_are_told_apart_from_rubbish() {
        let mut five = connect_bytes();
        five[8] = 5;
        assert!(matches!(taken(&five), Err(FrameError::Version)));
        assert!(matches!(
            taken(b"\x10\x0c\x00\x06MQIsdp\x03\x02\x00\x0a"),
            Err(FrameError::Version)
        ));
        assert!(matches!(
            taken(b"\x10\x08\x00\x04HTTP\x04\x02"),
            Err(FrameError::Codec(_))
        ));
        assert!(matches!(
            taken(b"GET / HTTP/1.1\r\n\r\n"),
            Err(FrameError::Reserved)
        ));
    }

    #[test]
    fn reserved_bits_and_servers_packets_are_refused() {
        let mut odd = connect_bytes();
        odd[9] |= 1;
        assert!(matches!(taken(&odd), Err(FrameError::Reserved)));
        let mut no_user = connect_bytes();
        no_user[9] &= 0x7F;
        assert!(matches!(taken(&no_user), Err(FrameError::Reserved)));
        assert!(matches!(
            taken(b"\x80\x06\x00\x01\x00\x01a\x00"),
            Err(FrameError::Reserved)
        ));
        assert!(matches!(
            taken(b"\x20\x02\x00\x00"),
            Err(FrameError::NotForServers(_))
        ));
        assert!(matches!(taken(b"\xf0\x00"), Err(FrameError::Codec(_))));
    }

    #[test]
    fn too_long_is_refused_before_it_is_read() {
        assert!(matches!(taken(b"\x30\xff\x7f"), Err(FrameError::Codec(_))));
        assert!(matches!(
            taken(b"\x30\xff\xff\xff\xff\x01"),
            Err(FrameError::Codec(_))
        ));
    }
}
