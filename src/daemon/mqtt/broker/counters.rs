//! What the broker counts.

/// Counts since the broker's start, and how much there is now.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counters {
    /// Clients connected now.
    pub clients: u64,
    /// Sessions now, absent clients' included.
    pub sessions: u64,
    /// Subscriptions of all sessions now.
    pub subscriptions: u64,
    /// Topics with a retained message now.
    pub retained: u64,
    /// Bytes of retained messages now.
    pub retained_bytes: u64,
    /// Bytes that wait in all queues now.
    pub queued_bytes: u64,
    /// Clients that were let in.
    pub accepted: u64,
    /// Connections closed because there were too many.
    pub too_many: u64,
    /// CONNECT packets that were answered with a refusal.
    pub refused: u64,
    /// Connections closed for what came over them: no MQTT, or against its rules or our limits.
    pub violations: u64,
    /// Connections closed because nothing came for one and a half times the keep-alive.
    pub silent: u64,
    /// Connections closed because they took too little.
    pub slow: u64,
    /// Connections taken over by the same client identifier.
    pub taken_over: u64,
    /// Absent clients' sessions that gave way to others.
    pub evicted: u64,
    /// Wills published.
    pub wills: u64,
    /// Messages from clients.
    pub received: u64,
    /// Messages to clients.
    pub sent: u64,
    /// Messages dropped because a client's queue was full.
    pub dropped: u64,
    /// Messages refused: not permitted, or a topic that is the server's own.
    pub not_permitted: u64,
    /// Messages not retained because of a limit; they were delivered all the same.
    pub not_retained: u64,
}
