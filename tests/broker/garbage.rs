//! Arbitrary bytes: whatever comes over one connection, the broker goes on and others notice
//! nothing.

use std::sync::Once;
use std::sync::atomic::{AtomicUsize, Ordering};

use proptest::prelude::*;
use rumqttc::mqttbytes::QoS;
use taillamp::daemon::mqtt::broker::{Broker, Limits};

use crate::peer::{Peer, anywhere};

/// Panics of the broker's own tasks: a connection's panic would end only its task here, but the
/// whole daemon where panics abort.
static PANICS: AtomicUsize = AtomicUsize::new(0);

fn watch_panics() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            let file = info
                .location()
                .map(|place| place.file().to_owned())
                .unwrap_or_default();
            if file.contains("daemon/mqtt/broker") || file.contains("mqttbytes") {
                PANICS.fetch_add(1, Ordering::SeqCst);
            }
            before(info);
        }));
    });
}

/// Bytes that look like packets more often than chance would have it.
fn packets() -> impl Strategy<Value = Vec<u8>> {
    let packet = (
        any::<u8>(),
        prop::collection::vec(any::<u8>(), 0..60),
        any::<bool>(),
    )
        .prop_map(|(first, body, honest)| {
            let length = body.len() as u8;
            let said = if honest {
                length
            } else {
                length.wrapping_mul(7)
            };
            [&[first, said][..], &body].concat()
        });
    let text = |text: &'static str| {
        let bytes = text.as_bytes();
        Just([&[0, bytes.len() as u8][..], bytes].concat())
    };
    // A publish or a subscription with a sound beginning and any end.
    let sound = (
        prop_oneof![
            Just(0x30u8),
            Just(0x32),
            Just(0x34),
            Just(0x82),
            Just(0xA2),
            Just(0x62)
        ],
        prop_oneof![
            text("t"),
            text("a/+/#"),
            text("ä"),
            text("\0"),
            text("$share/g/t"),
            text("")
        ],
        prop::collection::vec(any::<u8>(), 0..20),
        any::<bool>(),
    )
        .prop_map(|(first, text, end, id_first)| {
            let body = match id_first {
                true => [&[0, 1][..], &text, &end].concat(),
                false => [&text[..], &end].concat(),
            };
            [&[first, body.len() as u8][..], &body].concat()
        });
    prop::collection::vec(prop_oneof![packet, sound], 0..12).prop_map(|parts| parts.concat())
}

async fn throw(broker: &Broker, bytes: &[u8], greet_first: bool) {
    let mut rude = match greet_first {
        true => Peer::clean(broker, "rude").await,
        false => Peer::raw(broker.addr()).await,
    };
    // The broker may close before all is sent; that is its right.
    use tokio::io::AsyncWriteExt;
    let _ = rude.stream.write_all(bytes).await;
    let _ = rude.stream.shutdown().await;
    while rude.next_or_end().await.is_some() {}
}

#[test]
fn no_bytes_end_the_broker() {
    watch_panics();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .expect("a runtime");
    let _inside = runtime.enter();
    let mut config = anywhere();
    config.limits = Limits {
        packet_bytes_max: 4_096,
        ..Limits::default()
    };
    let broker = Broker::start(config).expect("a free port");
    let mut watcher = runtime.block_on(Peer::clean(&broker, "watcher"));
    runtime.block_on(watcher.subscribe("alive", QoS::AtMostOnce));
    let publisher = runtime.block_on(Peer::clean(&broker, "publisher"));
    let witnesses = tokio::sync::Mutex::new((watcher, publisher));
    let config = ProptestConfig {
        cases: 500,
        failure_persistence: None,
        ..Default::default()
    };
    proptest!(config, |(bytes in packets(), greet_first in any::<bool>())| {
        runtime.block_on(async {
            throw(&broker, &bytes, greet_first).await;
            let (watcher, publisher) = &mut *witnesses.lock().await;
            publisher.publish("alive", "yes", QoS::AtMostOnce, false).await;
            assert_eq!(watcher.text().await, "yes");
        });
        prop_assert_eq!(PANICS.load(Ordering::SeqCst), 0);
    });
    let counters = broker.counters();
    assert!(
        counters.violations > 0,
        "some of it was rubbish: {counters:?}"
    );
    runtime.block_on(broker.stop());
}
