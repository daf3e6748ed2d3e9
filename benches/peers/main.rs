//! What stands beside the daemon in `./tests/bars peers`: a client that only counts, and a
//! stopwatch from message to state. They measure nothing by themselves.
//!
//! ```text
//! peers count PORT                      counts until its input is closed, then prints the number
//! peers echo PORT BLOCKS SECONDS        the broker's own round trip, in microseconds
//! peers state PORT BLOCKS SECONDS       from a train's entry to the state of its block
//! ```

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use rumqttc::mqttbytes::v4::{Connect, Packet, Publish, Subscribe};
use rumqttc::mqttbytes::{Error as Incomplete, QoS};
use rumqttc::{AsyncClient, Event, Incoming, MqttOptions};

type Failure = Box<dyn std::error::Error>;

const PACKET_MAX: usize = 1 << 20;

fn main() -> Result<(), Failure> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["count", port] => count(port.parse()?),
        ["echo", port, blocks, seconds] => {
            clock(port.parse()?, blocks.parse()?, seconds.parse()?, false)
        }
        ["state", port, blocks, seconds] => {
            clock(port.parse()?, blocks.parse()?, seconds.parse()?, true)
        }
        _ => {
            println!("for ./tests/bars peers");
            Ok(())
        }
    }
}

/// A connection that speaks just enough: QoS 0, packets as they come.
struct Line {
    stream: TcpStream,
    inbound: bytes::BytesMut,
}

impl Line {
    fn open(port: u16, name: &str) -> Result<Self, Failure> {
        let stream = TcpStream::connect(("127.0.0.1", port))?;
        stream.set_nodelay(true)?;
        let mut line = Self {
            stream,
            inbound: bytes::BytesMut::new(),
        };
        let mut out = bytes::BytesMut::new();
        Connect::new(name).write(&mut out)?;
        line.stream.write_all(&out)?;
        line.next(Duration::from_secs(5))?
            .ok_or("the broker does not answer")?;
        Ok(line)
    }

    fn subscribe(&mut self, filter: &str) -> Result<(), Failure> {
        let mut out = bytes::BytesMut::new();
        let mut subscribe = Subscribe::new(filter, QoS::AtMostOnce);
        subscribe.pkid = 1;
        subscribe.write(&mut out)?;
        self.stream.write_all(&out)?;
        self.next(Duration::from_secs(5))?
            .ok_or("the broker does not answer")?;
        Ok(())
    }

    /// The next packet, if one comes in time.
    fn next(&mut self, patience: Duration) -> Result<Option<Packet>, Failure> {
        let until = Instant::now() + patience;
        loop {
            match Packet::read(&mut self.inbound, PACKET_MAX) {
                Ok(packet) => return Ok(Some(packet)),
                Err(Incomplete::InsufficientBytes(_)) => {}
                Err(error) => return Err(error.into()),
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(None);
            }
            self.stream.set_read_timeout(Some(left))?;
            let mut some = [0; 65_536];
            match self.stream.read(&mut some) {
                Ok(0) => return Err("the broker closed".into()),
                Ok(length) => self.inbound.extend_from_slice(&some[..length]),
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {}
                Err(error) => return Err(error.into()),
            }
        }
    }
}

fn sample(block: usize, lit: bool, out: &mut bytes::BytesMut) -> Result<(), Failure> {
    let amperes = if lit { 0.0124 } else { 0.0003 };
    let payload = format!(r#"[{{"n":"current","u":"A","v":{amperes}}}]"#);
    let topic = format!("ring/detector/d{}", block + 1);
    Publish::new(topic, QoS::AtMostOnce, payload).write(out)?;
    Ok(())
}

/// Counts what comes, with the client library that the daemon uses, and does nothing else.
fn count(port: u16) -> Result<(), Failure> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()?;
    let (ended, mut end) = tokio::sync::oneshot::channel::<()>();
    std::thread::spawn(move || {
        let _ = std::io::stdin().read_to_end(&mut Vec::new());
        let _ = ended.send(());
    });
    let counted = runtime.block_on(async move {
        let mut options = MqttOptions::new("counter", "127.0.0.1", port);
        options.set_max_packet_size(PACKET_MAX, PACKET_MAX);
        let (client, mut events) = AsyncClient::new(options, 16);
        client.subscribe("ring/detector/+", QoS::AtMostOnce).await?;
        let mut counted = 0_u64;
        loop {
            tokio::select! {
                event = events.poll() => match event? {
                    Event::Incoming(Incoming::Publish(_)) => counted += 1,
                    Event::Incoming(Incoming::SubAck(_)) => println!("ready"),
                    _ => {}
                },
                _ = &mut end => return Ok::<u64, Failure>(counted),
            }
        }
    })?;
    println!("{counted}");
    Ok(())
}

/// Ten trains go round a ring, an entry every 20 ms; prints how long it took until the state came.
fn clock(port: u16, blocks: usize, seconds: u64, of_state: bool) -> Result<(), Failure> {
    let mut line = Line::open(port, "clock")?;
    line.subscribe(if of_state {
        "ring/state/block/+"
    } else {
        "ring/detector/+"
    })?;
    let spacing = blocks / 10;
    let mut waiting: BTreeMap<String, Instant> = BTreeMap::new();
    let mut took: Vec<f64> = Vec::new();
    let began = Instant::now();
    let mut out = bytes::BytesMut::new();
    for step in 0.. {
        let (train, round) = (step % 10, step / 10);
        let here = (train * spacing + round) % blocks;
        let due = began + Duration::from_millis(20 * step as u64);
        if due.duration_since(began) > Duration::from_secs(seconds) {
            break;
        }
        while let Some(packet) = line.next(due.saturating_duration_since(Instant::now()))? {
            let Packet::Publish(publish) = packet else {
                continue;
            };
            let occupied = publish
                .payload
                .windows(10)
                .any(|text| text == b"\"occupied\"");
            if (!of_state || occupied)
                && let Some(since) = waiting.remove(&publish.topic)
            {
                took.push(since.elapsed().as_secs_f64() * 1e6);
            }
        }
        out.clear();
        let next = (here + 1) % blocks;
        sample(next, true, &mut out)?;
        let topic = if of_state {
            format!("ring/state/block/b{}", next + 1)
        } else {
            format!("ring/detector/d{}", next + 1)
        };
        waiting.insert(topic, Instant::now());
        line.stream.write_all(&out)?;
        // The block behind is left some entries later.
        if round > 1 {
            out.clear();
            sample((here + blocks - 1) % blocks, false, &mut out)?;
            line.stream.write_all(&out)?;
        }
    }
    took.sort_by(f64::total_cmp);
    let at = |share: f64| {
        took.get(((took.len() as f64) * share) as usize)
            .copied()
            .unwrap_or(f64::NAN)
    };
    println!(
        "{} {} {} {} {}",
        took.len(),
        at(0.5),
        at(0.99),
        at(0.999),
        waiting.len()
    );
    Ok(())
}
