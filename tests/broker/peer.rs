//! A client that does exactly what it is told, packet by packet, right or wrong.

use std::net::SocketAddr;
use std::time::Duration;

use bytes::BytesMut;
use rumqttc::mqttbytes::v4::{
    ConnAck, Connect, ConnectReturnCode, Packet, PubAck, Publish, SubAck, Subscribe,
    SubscribeReasonCode,
};
use rumqttc::mqttbytes::{Error, QoS};
use taillamp::daemon::mqtt::broker::{Broker, BrokerConfig};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

/// How long anything may take on a busy machine.
pub const SOON: Duration = Duration::from_secs(20);

/// Any free port of this machine.
pub fn anywhere() -> BrokerConfig {
    BrokerConfig::new("127.0.0.1:0".parse().expect("an address"))
}

/// A broker for everybody.
pub fn broker() -> Broker {
    Broker::start(anywhere()).expect("a free port")
}

/// One connection.
pub struct Peer {
    pub stream: TcpStream,
    inbound: BytesMut,
    last_id: u16,
}

impl Peer {
    /// A connection, and nothing sent.
    pub async fn raw(addr: SocketAddr) -> Self {
        let stream = TcpStream::connect(addr).await.expect("the broker listens");
        stream.set_nodelay(true).expect("an option of every socket");
        Self {
            stream,
            inbound: BytesMut::new(),
            last_id: 0,
        }
    }

    /// A client with a clean session.
    pub async fn clean(broker: &Broker, id: &str) -> Self {
        Self::connect(broker, &Connect::new(id)).await.0
    }

    /// A client with a session that stays, and whether it was there.
    pub async fn staying(broker: &Broker, id: &str) -> (Self, bool) {
        let mut connect = Connect::new(id);
        connect.clean_session = false;
        Self::connect(broker, &connect).await
    }

    pub async fn connect(broker: &Broker, connect: &Connect) -> (Self, bool) {
        let (peer, answer) = Self::try_connect(broker, connect).await;
        assert_eq!(answer.code, ConnectReturnCode::Success);
        (peer, answer.session_present)
    }

    pub async fn try_connect(broker: &Broker, connect: &Connect) -> (Self, ConnAck) {
        let mut peer = Self::raw(broker.addr()).await;
        peer.send(Packet::Connect(connect.clone())).await;
        match peer.next().await {
            Packet::ConnAck(answer) => (peer, answer),
            other => panic!("CONNACK expected, not {other:?}"),
        }
    }

    pub async fn send(&mut self, packet: Packet) {
        let mut out = BytesMut::new();
        packet
            .write(&mut out, usize::MAX)
            .expect("a packet that can be written");
        self.send_bytes(&out).await;
    }

    pub async fn send_bytes(&mut self, bytes: &[u8]) {
        self.stream
            .write_all(bytes)
            .await
            .expect("the connection stands");
    }

    /// The next packet; `None` when the broker has closed.
    pub async fn next_or_end(&mut self) -> Option<Packet> {
        loop {
            match Packet::read(&mut self.inbound, usize::MAX) {
                Ok(packet) => return Some(packet),
                Err(Error::InsufficientBytes(_)) => {}
                Err(error) => panic!("the broker sent rubbish: {error}"),
            }
            let read = timeout(SOON, self.stream.read_buf(&mut self.inbound)).await;
            match read.expect("an answer in time") {
                Ok(0) | Err(_) => return None,
                Ok(_) => {}
            }
        }
    }

    pub async fn next(&mut self) -> Packet {
        self.next_or_end().await.expect("the connection stands")
    }

    /// The next packet, which is a message.
    pub async fn message(&mut self) -> Publish {
        match self.next().await {
            Packet::Publish(publish) => publish,
            other => panic!("a message expected, not {other:?}"),
        }
    }

    /// The next message's payload, acknowledged where it wants that at least once.
    pub async fn text(&mut self) -> String {
        let publish = self.message().await;
        if publish.qos == QoS::AtLeastOnce {
            self.send(Packet::PubAck(PubAck::new(publish.pkid))).await;
        }
        String::from_utf8(publish.payload.to_vec()).expect("text")
    }

    /// The broker closes, with nothing said before.
    pub async fn closed(&mut self) {
        if let Some(packet) = self.next_or_end().await {
            panic!("the connection was to be closed, but {packet:?} came");
        }
    }

    /// Everything sent so far has been handled, and nothing waits for us.
    ///
    /// Two rounds: the answer to the first may overtake what was queued before it, the answer to
    /// the second may not.
    pub async fn nothing_comes(&mut self) {
        for _ in 0..2 {
            self.send(Packet::PingReq).await;
            assert_eq!(self.next().await, Packet::PingResp);
        }
    }

    pub fn new_id(&mut self) -> u16 {
        self.last_id += 1;
        self.last_id
    }

    /// Subscribes and returns what was granted.
    pub async fn ask(&mut self, filter: &str, qos: QoS) -> SubscribeReasonCode {
        let mut subscribe = Subscribe::new(filter, qos);
        subscribe.pkid = self.new_id();
        let pkid = subscribe.pkid;
        self.send(Packet::Subscribe(subscribe)).await;
        match self.next().await {
            Packet::SubAck(SubAck {
                pkid: id,
                return_codes,
            }) if id == pkid => return_codes[0],
            other => panic!("SUBACK expected, not {other:?}"),
        }
    }

    pub async fn subscribe(&mut self, filter: &str, qos: QoS) {
        assert_eq!(
            self.ask(filter, qos).await,
            SubscribeReasonCode::Success(qos)
        );
    }

    /// Publishes and waits until the broker has handled it.
    pub async fn publish(&mut self, topic: &str, payload: &str, qos: QoS, retain: bool) {
        let mut publish = Publish::new(topic, qos, payload.as_bytes());
        publish.retain = retain;
        if qos != QoS::AtMostOnce {
            publish.pkid = self.new_id();
        }
        let pkid = publish.pkid;
        self.send(Packet::Publish(publish)).await;
        match qos {
            QoS::AtMostOnce => {
                self.send(Packet::PingReq).await;
                assert_eq!(self.next().await, Packet::PingResp);
            }
            QoS::AtLeastOnce => assert_eq!(self.next().await, Packet::PubAck(PubAck::new(pkid))),
            QoS::ExactlyOnce => {
                use rumqttc::mqttbytes::v4::{PubComp, PubRec, PubRel};
                assert_eq!(self.next().await, Packet::PubRec(PubRec::new(pkid)));
                self.send(Packet::PubRel(PubRel::new(pkid))).await;
                assert_eq!(self.next().await, Packet::PubComp(PubComp::new(pkid)));
            }
        }
    }
}

/// Waits until the broker's counters are as wanted.
pub async fn until(
    broker: &Broker,
    what: &str,
    wanted: impl Fn(&taillamp::daemon::mqtt::broker::Counters) -> bool,
) {
    let deadline = tokio::time::Instant::now() + SOON;
    while !wanted(&broker.counters()) {
        assert!(
            tokio::time::Instant::now() < deadline,
            "{what}: {:?}",
            broker.counters()
        );
        tokio::time::sleep(Duration::from_millis(2)).await;
    }
}
