//! What each packet of a client does.
//!
//! In: decoded packets of one client, in order. Out: calls of the router, and answers in the order
//! that 4.6 asks for. It runs under the router's lock and never waits.

use bytes::BytesMut;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{
    Packet, PingResp, PubAck, PubComp, PubRec, Publish, SubAck, Subscribe, SubscribeReasonCode,
    UnsubAck, Unsubscribe,
};

use super::connection::{Client, Shared};
use super::router::{Ending, Router};
use super::topic;

/// What a turn left to do at once.
#[derive(Clone, Copy, Debug)]
pub(super) struct Turn {
    /// There may be more whole packets in the read buffer.
    pub(super) unread: bool,
    /// There is more in the session's queue.
    pub(super) more: bool,
}

/// Handles packets in order; an error ends the connection.
pub(super) fn handle(
    router: &mut Router,
    shared: &Shared,
    client: &Client,
    packets: &mut Vec<Packet>,
    out: &mut BytesMut,
) -> Result<(), Ending> {
    for packet in packets.drain(..) {
        match packet {
            Packet::Publish(publish) => take_message(router, shared, client, publish, out)?,
            Packet::PubAck(ack) => {
                let session = router.session(client.seat).ok_or(Ending::Unseated)?;
                session.done(ack.pkid, QoS::AtLeastOnce);
            }
            Packet::PubRec(ack) => {
                let session = router.session(client.seat).ok_or(Ending::Unseated)?;
                session.delivered(ack.pkid, out);
            }
            Packet::PubComp(ack) => {
                let session = router.session(client.seat).ok_or(Ending::Unseated)?;
                session.done(ack.pkid, QoS::ExactlyOnce);
            }
            Packet::PubRel(release) => {
                let session = router.session(client.seat).ok_or(Ending::Unseated)?;
                session.release(release.pkid);
                put(PubComp::new(release.pkid).write(out))?;
            }
            Packet::Subscribe(subscribe) => {
                take_subscriptions(router, shared, client, subscribe, out)?;
            }
            Packet::Unsubscribe(unsubscribe) => {
                drop_subscriptions(router, client, unsubscribe, out)?;
            }
            Packet::PingReq => put(PingResp.write(out))?,
            Packet::Disconnect => return Err(Ending::Goodbye),
            Packet::Connect(_)
            | Packet::ConnAck(_)
            | Packet::SubAck(_)
            | Packet::UnsubAck(_)
            | Packet::PingResp => return Err(Ending::Violation),
        }
    }
    Ok(())
}

fn take_message(
    router: &mut Router,
    shared: &Shared,
    client: &Client,
    publish: Publish,
    out: &mut BytesMut,
) -> Result<(), Ending> {
    let Publish {
        qos,
        retain,
        topic,
        pkid,
        payload,
        ..
    } = publish;
    if !topic::valid_topic(&topic, shared.limits.topic_bytes_max) {
        return Err(Ending::Violation);
    }
    let first = match qos {
        QoS::AtMostOnce | QoS::AtLeastOnce => true,
        QoS::ExactlyOnce => {
            let session = router.session(client.seat).ok_or(Ending::Unseated)?;
            let first = session.receive(pkid, shared.limits.unreleased_max);
            first.ok_or(Ending::Violation)?
        }
    };
    if first {
        let user = client.user.as_deref();
        if topic::is_reserved(&topic) || !shared.access.may_publish(user, &topic) {
            // 3.3.5: the server acknowledges a message that it does not permit, and drops it.
            router.count_not_permitted();
        } else {
            router.publish(topic, &payload, qos, retain);
        }
    }
    match qos {
        QoS::AtMostOnce => {}
        QoS::AtLeastOnce => put(PubAck::new(pkid).write(out))?,
        QoS::ExactlyOnce => put(PubRec::new(pkid).write(out))?,
    }
    Ok(())
}

fn take_subscriptions(
    router: &mut Router,
    shared: &Shared,
    client: &Client,
    subscribe: Subscribe,
    out: &mut BytesMut,
) -> Result<(), Ending> {
    if subscribe.pkid == 0 {
        return Err(Ending::Violation);
    }
    let mut codes = Vec::with_capacity(subscribe.filters.len());
    for filter in subscribe.filters {
        let (path, qos) = (filter.path, filter.qos);
        if !topic::valid_filter(&path, shared.limits.topic_bytes_max) {
            return Err(Ending::Violation);
        }
        let accepted = !topic::is_shared(&path)
            && shared.access.may_subscribe(client.user.as_deref(), &path)
            && router.subscribe(client.seat, &path, qos);
        codes.push(match accepted {
            true => SubscribeReasonCode::Success(qos),
            false => SubscribeReasonCode::Failure,
        });
    }
    put(SubAck::new(subscribe.pkid, codes).write(out))
}

fn drop_subscriptions(
    router: &mut Router,
    client: &Client,
    unsubscribe: Unsubscribe,
    out: &mut BytesMut,
) -> Result<(), Ending> {
    // 3.10.3-2: at least one filter.
    if unsubscribe.pkid == 0 || unsubscribe.topics.is_empty() {
        return Err(Ending::Violation);
    }
    for filter in &unsubscribe.topics {
        router.unsubscribe(client.seat, filter);
    }
    put(UnsubAck::new(unsubscribe.pkid).write(out))
}

/// Answers are short, and the codec refuses only what is longer than 256 MB. Were one refused, it
/// would be the client's request that asked for it.
fn put(written: Result<usize, rumqttc::mqttbytes::Error>) -> Result<(), Ending> {
    written.map(drop).map_err(|_| Ending::Violation)
}
