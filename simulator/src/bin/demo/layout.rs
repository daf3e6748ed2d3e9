//! The simulated layout on a real clock and a real broker: the devices of the demo.
//!
//! Inputs: a session, the broker's address. Output: its messages, published at their time. This is
//! the only part of the simulator that reads a clock. The devices' wills are told by the
//! simulation itself, because all of them share this one connection.

use std::net::SocketAddr;
use std::time::{Duration, Instant as Clock};

use anyhow::{Context, Result, bail};
use rumqttc::{AsyncClient, ConnectReturnCode, Event, EventLoop, MqttOptions, Packet, QoS};
use taillamp::engine::time::Instant;
use taillamp_simulator::network::Message;
use taillamp_simulator::session::Session;
use tokio::sync::watch;
use tokio::time::{MissedTickBehavior, interval, sleep, timeout};

/// How often the world is looked after.
const TICK: Duration = Duration::from_millis(20);
/// A world that has fallen behind the clock by more than this goes on from where it is.
const LAG_MAX: Duration = Duration::from_secs(1);
/// How long the broker may take to answer.
const CONNECT_MAX: Duration = Duration::from_secs(5);
/// After a failed connection.
const BACK_OFF: Duration = Duration::from_millis(500);
/// Messages that may wait for the connection.
const WAITING_MAX: usize = 2_048;

/// Publishes what the session's devices say until it is cancelled.
///
/// # Errors
/// When the broker does not take the connection.
pub async fn run(mut session: Session, broker: SocketAddr) -> Result<()> {
    let mut options = MqttOptions::new("demo-layout", broker.ip().to_string(), broker.port());
    options.set_keep_alive(Duration::from_secs(10));
    let (client, connection) = AsyncClient::new(options, WAITING_MAX);
    let (connected, mut up) = watch::channel(false);
    // The connection is polled by a task of its own: publishing waits for it.
    let polling = tokio::spawn(poll(connection, connected));
    let ready = timeout(CONNECT_MAX, up.wait_for(|up| *up)).await;
    if !matches!(ready, Ok(Ok(_))) {
        polling.abort();
        bail!("the broker at {broker} does not answer the simulated layout");
    }
    let outcome = play(&mut session, &client).await;
    polling.abort();
    outcome
}

async fn play(session: &mut Session, client: &AsyncClient) -> Result<()> {
    let mut ticks = interval(TICK);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
    let mut begun = Clock::now();
    loop {
        ticks.tick().await;
        let now = Duration::from_micros(session.world().now().0);
        let lag = begun.elapsed().saturating_sub(now);
        if lag > LAG_MAX {
            begun += lag;
        }
        let until = u64::try_from(begun.elapsed().as_micros()).unwrap_or(u64::MAX);
        for message in session.run_to(Instant(until)) {
            publish(client, message).await?;
        }
    }
}

async fn publish(client: &AsyncClient, message: Message) -> Result<()> {
    // A reading is soon followed by another; what is kept must arrive.
    let qos = if message.retain {
        QoS::AtLeastOnce
    } else {
        QoS::AtMostOnce
    };
    let sent = client.publish(message.topic, qos, message.retain, message.payload);
    sent.await
        .context("the simulated layout lost its connection")
}

async fn poll(mut connection: EventLoop, connected: watch::Sender<bool>) {
    connection.network_options.set_tcp_nodelay(true);
    loop {
        match connection.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(answer))) => {
                // Nobody listens for this any more once the layout runs.
                let _ = connected.send(answer.code == ConnectReturnCode::Success);
            }
            Ok(_) => {}
            // A failed poll returns at once, and would reconnect at once.
            Err(_) => sleep(BACK_OFF).await,
        }
    }
}
