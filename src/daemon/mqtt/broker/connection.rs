//! One connection: from its CONNECT packet to its end.
//!
//! In: a socket. Out: calls of the router and bytes back. One task serves it, reading and writing
//! in turn: what the client has not taken yet keeps us from reading more of it, so that neither
//! buffer grows.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use rumqttc::mqttbytes::v4::{Connect, ConnectReturnCode, Packet};
use tokio::io::Interest;
use tokio::net::TcpStream;
use tokio::sync::{Notify, watch};
use tokio::time::{Instant, Sleep, sleep_until, timeout};

use super::access::Access;
use super::config::Limits;
use super::dispatch::{self, Turn};
use super::frame::{self, FrameError};
use super::router::{Ending, Router, Seat};
use super::topic;
use super::wire::Wire;

/// Bytes that wait for the socket before we stop to take more from the session's queue.
const OUT_FILL: usize = 32 * 1_024;
/// Bytes that wait for the socket before we stop to read.
const OUT_HIGH: usize = 64 * 1_024;
/// Packets handled in one turn, under one lock.
const BATCH: usize = 64;
/// What all connections of a broker share.
pub(super) struct Shared {
    pub(super) limits: Limits,
    pub(super) access: Access,
    router: Mutex<Router>,
}

impl Shared {
    pub(super) fn new(limits: Limits, access: Access, router: Router) -> Self {
        Self {
            limits,
            access,
            router: Mutex::new(router),
        }
    }

    /// The router, for a moment.
    pub(super) fn router(&self) -> MutexGuard<'_, Router> {
        self.router.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Serves one connection to its end.
pub(super) async fn serve(stream: TcpStream, shared: Arc<Shared>, stop: watch::Receiver<bool>) {
    // Without this the last part of a burst waits for the peer's delayed acknowledgement: 40 ms.
    let _ = stream.set_nodelay(true);
    let mut wire = Wire::new(stream);
    let mut stop_early = stop.clone();
    let greeted = tokio::select! {
        greeted = greet(&mut wire, &shared) => greeted,
        () = super::stopped(&mut stop_early) => Err(Ending::Gone),
    };
    let client = match greeted {
        Ok(client) => client,
        Err(ending) => return shared.router().leave(None, ending),
    };
    let ending = converse(&mut wire, &shared, &client, stop).await;
    shared.router().leave(Some(client.seat), ending);
}

/// A client that was let in.
pub(super) struct Client {
    pub(super) seat: Seat,
    pub(super) user: Option<String>,
    wake: Arc<Notify>,
    /// One and a half times the keep-alive (3.1.2-24); `None`: the client wants none.
    silence_max: Option<Duration>,
}

/// From the first byte to CONNACK.
async fn greet(wire: &mut Wire, shared: &Shared) -> Result<Client, Ending> {
    let Limits {
        connect_timeout,
        admit_timeout,
        ..
    } = shared.limits;
    let admitted = match timeout(connect_timeout, read_connect(wire, &shared.limits)).await {
        Ok(Ok(connect)) => match timeout(admit_timeout, admit(wire, shared, connect)).await {
            Ok(admitted) => admitted,
            Err(_) => Err(Refusal::Answer(ConnectReturnCode::ServiceUnavailable)),
        },
        Ok(Err(refusal)) => Err(refusal),
        Err(_) => return Err(Ending::Silent),
    };
    match admitted {
        Ok(client) => Ok(client),
        Err(Refusal::Close) => Err(Ending::Violation),
        Err(Refusal::Answer(code)) => {
            // A client that does not take its answer is closed without.
            let _ = timeout(connect_timeout, wire.answer(code)).await;
            Err(Ending::Refused)
        }
    }
}

/// How a client is turned away.
enum Refusal {
    Close,
    Answer(ConnectReturnCode),
}

async fn read_connect(wire: &mut Wire, limits: &Limits) -> Result<Connect, Refusal> {
    loop {
        match frame::take(&mut wire.inbound, limits.packet_bytes_max) {
            Ok(Some(Packet::Connect(connect))) => return Ok(connect),
            Ok(None) => wire.read_some().await.map_err(|_| Refusal::Close)?,
            Err(FrameError::Version) => {
                return Err(Refusal::Answer(ConnectReturnCode::RefusedProtocolVersion));
            }
            Ok(Some(_)) | Err(_) => return Err(Refusal::Close),
        }
    }
}

async fn admit(wire: &mut Wire, shared: &Shared, connect: Connect) -> Result<Client, Refusal> {
    let limits = &shared.limits;
    let Connect {
        keep_alive,
        client_id,
        clean_session,
        last_will,
        login,
        ..
    } = connect;
    // 3.1.3-8: an empty identifier goes with a clean session only.
    if (client_id.is_empty() && !clean_session)
        || client_id.len() > limits.client_id_bytes_max
        || client_id.contains('\0')
    {
        return Err(Refusal::Answer(ConnectReturnCode::BadClientId));
    }
    if let Some(will) = &last_will
        && !topic::valid_topic(&will.topic, limits.topic_bytes_max)
    {
        return Err(Refusal::Close);
    }
    let login = login.map(|login| (login.username, login.password));
    let Some(user) = shared.access.admit(login).await else {
        return Err(Refusal::Answer(ConnectReturnCode::NotAuthorized));
    };
    let will = last_will.filter(|will| {
        !topic::is_reserved(&will.topic) && shared.access.may_publish(user.as_deref(), &will.topic)
    });
    let wake = Arc::new(Notify::new());
    // Nothing is awaited from here on: a seat that was given is always left again.
    let (seat, present) = shared.router().seat(
        &own_id(user.as_deref(), client_id),
        clean_session,
        Arc::clone(&wake),
        will,
    );
    wire.put_answer(ConnectReturnCode::Success, present);
    let silence_max = match keep_alive {
        0 => None,
        seconds => Some(Duration::from_millis(u64::from(seconds) * 1_500)),
    };
    Ok(Client {
        seat,
        user,
        wake,
        silence_max,
    })
}

/// An identifier is a user's own: under another's nobody takes over a session, or ends it. NUL is
/// in no identifier and no name (1.5.3-2).
fn own_id(user: Option<&str>, client_id: String) -> String {
    match user {
        Some(user) if !client_id.is_empty() => format!("{user}\0{client_id}"),
        _ => client_id,
    }
}

/// From CONNACK to the end.
async fn converse(
    wire: &mut Wire,
    shared: &Shared,
    client: &Client,
    mut stop: watch::Receiver<bool>,
) -> Ending {
    let mut pace = Pace::new(client.silence_max, shared.limits.stall_timeout);
    let mut batch = Vec::new();
    let mut to_fill = true;
    loop {
        let turn = match take_turn(wire, shared, client, &mut batch, to_fill) {
            Ok(turn) => turn,
            Err(ending) => {
                // What was promised before the end, such as an acknowledgement, still goes.
                let _ = wire.write_some();
                return ending;
            }
        };
        match wire.write_some() {
            Ok(progress) => pace.wrote(progress, wire.out.is_empty()),
            Err(_) => return Ending::Gone,
        }
        to_fill = turn.more;
        if (turn.unread && wire.out.len() < OUT_HIGH) || (turn.more && wire.out.len() < OUT_FILL) {
            // There is work at hand: let others have their turn first.
            tokio::task::yield_now().await;
            continue;
        }
        let interest = match (wire.out.len() < OUT_HIGH, wire.out.is_empty()) {
            (true, true) => Interest::READABLE,
            (true, false) => Interest::READABLE | Interest::WRITABLE,
            (false, _) => Interest::WRITABLE,
        };
        tokio::select! {
            ready = wire.stream.ready(interest) => {
                let Ok(ready) = ready else {
                    return Ending::Gone;
                };
                if ready.is_readable() || ready.is_read_closed() {
                    match wire.try_read() {
                        Ok(true) => pace.heard(),
                        Ok(false) => {}
                        Err(_) => return Ending::Gone,
                    }
                }
            }
            () = client.wake.notified() => to_fill = true,
            () = pace.alarm.as_mut() => if let Some(ending) = pace.rang() {
                return ending;
            },
            () = super::stopped(&mut stop) => return Ending::Gone,
        }
    }
}

/// Handles what has been read and takes what waits, under one lock.
fn take_turn(
    wire: &mut Wire,
    shared: &Shared,
    client: &Client,
    batch: &mut Vec<Packet>,
    to_fill: bool,
) -> Result<Turn, Ending> {
    let mut broken = None;
    while batch.len() < BATCH && wire.out.len() < OUT_HIGH {
        match frame::take(&mut wire.inbound, shared.limits.packet_bytes_max) {
            Ok(Some(packet)) => batch.push(packet),
            Ok(None) => break,
            Err(_) => {
                broken = Some(Ending::Violation);
                break;
            }
        }
    }
    let mut turn = Turn {
        unread: batch.len() >= BATCH,
        more: to_fill,
    };
    if batch.is_empty() && !to_fill {
        return broken.map_or(Ok(turn), Err);
    }
    let mut router = shared.router();
    let handled = dispatch::handle(&mut router, shared, client, batch, &mut wire.out);
    batch.clear();
    handled?;
    // The client may have been unseated, which only `fill` notices: it is asked every time.
    match router.fill(client.seat, &mut wire.out, OUT_FILL) {
        Some(more) => turn.more = more,
        None => return Err(Ending::Unseated),
    }
    broken.map_or(Ok(turn), Err)
}

/// How long a client may be silent, and how long it may take nothing.
struct Pace {
    silence_max: Option<Duration>,
    stall_max: Duration,
    heard: Instant,
    stalled: Option<Instant>,
    alarm: std::pin::Pin<Box<Sleep>>,
}

impl Pace {
    fn new(silence_max: Option<Duration>, stall_max: Duration) -> Self {
        let now = Instant::now();
        let alarm = Box::pin(sleep_until(
            now + silence_max.unwrap_or(stall_max).min(stall_max),
        ));
        Self {
            silence_max,
            stall_max,
            heard: now,
            stalled: None,
            alarm,
        }
    }

    fn heard(&mut self) {
        self.heard = Instant::now();
    }

    fn wrote(&mut self, progress: bool, all: bool) {
        if all {
            self.stalled = None;
        } else if progress || self.stalled.is_none() {
            self.stalled = Some(Instant::now());
        }
    }

    /// The alarm rang: either a limit has passed, or it is set anew. Setting it anew only here,
    /// and not at every packet, keeps timers out of the way of messages.
    fn rang(&mut self) -> Option<Ending> {
        let now = Instant::now();
        let silent = self.silence_max.map(|max| self.heard + max);
        let stalled = self.stalled.map(|since| since + self.stall_max);
        if silent.is_some_and(|at| at <= now) {
            return Some(Ending::Silent);
        }
        if stalled.is_some_and(|at| at <= now) {
            return Some(Ending::Slow);
        }
        let latest = now + self.stall_max;
        let next = silent.into_iter().chain(stalled).fold(latest, Instant::min);
        self.alarm.as_mut().reset(next);
        None
    }
}
