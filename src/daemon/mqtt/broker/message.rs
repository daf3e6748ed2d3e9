//! One application message, shared by everyone who waits for it, and its form on the wire.

use bytes::{BufMut, Bytes, BytesMut};
use rumqttc::mqttbytes::QoS;

/// What one message costs in a queue beside its topic and payload: the entry, two allocations.
const OVERHEAD: usize = 64;

/// One application message.
#[derive(Debug)]
pub(super) struct Message {
    pub(super) topic: Box<str>,
    pub(super) payload: Bytes,
    /// As its publisher sent it; a subscriber gets the lower of this and what it was granted.
    pub(super) qos: QoS,
}

/// How one copy of a message goes out.
#[derive(Clone, Copy, Debug)]
pub(super) struct Delivery {
    pub(super) qos: QoS,
    /// The packet identifier; unused at most once.
    pub(super) id: u16,
    /// Sent before to this session (3.3.1-1).
    pub(super) again: bool,
    /// Old news: sent because of a new subscription (3.3.1-8, 3.3.1-9).
    pub(super) retained: bool,
}

impl Message {
    /// Its weight against a limit of bytes.
    pub(super) fn weight(&self) -> usize {
        self.topic.len() + self.payload.len() + OVERHEAD
    }

    /// Writes a PUBLISH packet.
    ///
    /// The packet type of the codec owns its topic as a `String`; writing from the shared message
    /// saves one allocation a subscriber.
    pub(super) fn write(&self, out: &mut BytesMut, delivery: Delivery) {
        let Delivery {
            qos,
            id,
            again,
            retained,
        } = delivery;
        let with_id = qos != QoS::AtMostOnce;
        let flags = (qos as u8) << 1 | u8::from(again && with_id) << 3 | u8::from(retained);
        let length = 2 + self.topic.len() + self.payload.len() + if with_id { 2 } else { 0 };
        out.reserve(length + 5);
        out.put_u8(0x30 | flags);
        put_length(out, length);
        // Topics are limited to 65 535 bytes where they come in.
        out.put_u16(self.topic.len() as u16);
        out.extend_from_slice(self.topic.as_bytes());
        if with_id {
            out.put_u16(id);
        }
        out.extend_from_slice(&self.payload);
    }
}

/// The remaining length (2.2.3): seven bits a byte, lowest first.
fn put_length(out: &mut BytesMut, mut length: usize) {
    loop {
        let low = (length % 128) as u8;
        length /= 128;
        out.put_u8(if length > 0 { low | 0x80 } else { low });
        if length == 0 {
            return;
        }
    }
}

/// The lower of two qualities of service (3.8.4-6).
pub(super) fn lower(a: QoS, b: QoS) -> QoS {
    if (a as u8) < (b as u8) { a } else { b }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rumqttc::mqttbytes::v4::{Packet, Publish};

    #[test]
    fn the_codec_reads_back_what_is_written() {
        for size in [0, 1, 100, 127, 128, 16_383, 16_384, 100_000] {
            for qos in [QoS::AtMostOnce, QoS::AtLeastOnce, QoS::ExactlyOnce] {
                let message = Message {
                    topic: "grüße/a".into(),
                    payload: Bytes::from(vec![7; size]),
                    qos,
                };
                let mut out = BytesMut::new();
                message.write(
                    &mut out,
                    Delivery {
                        qos,
                        id: 513,
                        again: true,
                        retained: true,
                    },
                );
                let mut expected = Publish::new("grüße/a", qos, vec![7; size]);
                expected.retain = true;
                if qos != QoS::AtMostOnce {
                    expected.pkid = 513;
                    expected.dup = true;
                }
                let read = Packet::read(&mut out, 1_000_000).expect("a whole packet");
                assert_eq!(read, Packet::Publish(expected));
                assert!(out.is_empty());
            }
        }
    }
}
