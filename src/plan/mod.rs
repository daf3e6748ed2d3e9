//! The plan file: the description of the layout, checked and resolved.
//!
//! [`load`] turns the text into a [`Plan`] and a list of findings; a plan with errors gives none.

pub mod finding;

use std::net::SocketAddr;
use std::path::PathBuf;

use crate::engine::ids::{DetectorId, FeedId, NodeId, TableId, TurnoutId};
use crate::engine::layout::Layout;
pub use finding::{Finding, Level};

/// A resolved plan: the layout for the engine and the settings for the shell.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// What the engine needs.
    pub layout: Layout,
    /// The scale as the plan writes it: `HO` or `1:87.1`.
    pub scale: String,
    /// `topic_prefix`: the `P` of every topic.
    pub topic_prefix: String,
    /// Which topic speaks about what, and how.
    pub bindings: Vec<Binding>,
    /// `[mqtt]`.
    pub mqtt: Mqtt,
    /// `[web]`.
    pub web: Web,
    /// `[journal]`.
    pub journal: Journal,
    /// `[[notify]]`.
    pub notify: Vec<Notify>,
}

/// One incoming topic.
#[derive(Clone, Debug, PartialEq)]
pub struct Binding {
    /// The whole topic, prefix included.
    pub topic: String,
    /// What it speaks about.
    pub subject: Bound,
    /// How its payload is read.
    pub format: Format,
    /// Which record of a pack: the resolved name or its end.
    pub record: Option<String>,
}

/// What a topic speaks about.
#[derive(Clone, Debug, PartialEq)]
pub enum Bound {
    /// A detector's samples.
    Detector(DetectorId),
    /// Where points are.
    Position(TurnoutId),
    /// What was asked of points.
    Asked(TurnoutId),
    /// Where a table is.
    TablePosition(TableId),
    /// What was asked of a table.
    TableAsked(TableId),
    /// A feed's switch or voltage.
    Feed(FeedId),
    /// A device's coming and going; the payloads that say so.
    Node {
        /// Which.
        node: NodeId,
        /// The payload of its coming.
        online: String,
        /// The payload of its going.
        offline: String,
    },
}

/// How a payload is read.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Format {
    /// SenML JSON (RFC 8428).
    #[default]
    SenMl,
    /// A plain number.
    Number,
    /// A board's own words: each of ours, and the words that mean it (`on`, `off`; `normal`,
    /// `reverse`, `moving`; a stop's name, `between`).
    Words(Vec<(String, Vec<String>)>),
    /// A value inside a JSON document (RFC 6901); a string there is looked up in the words, if any.
    Pointer(String, Vec<(String, Vec<String>)>),
}

/// `[mqtt]`.
#[derive(Clone, Debug, PartialEq)]
pub enum Mqtt {
    /// The broker inside the daemon.
    Embedded {
        /// Where it listens.
        listen: SocketAddr,
        /// Users and their argon2 password hashes: `user:hash` lines.
        password_file: Option<PathBuf>,
        /// Said aloud: anybody on the network may connect.
        allow_anonymous: bool,
        /// The operator's words are taken from `P/do/...`.
        accept_commands: bool,
    },
    /// A broker elsewhere.
    External {
        /// `mqtt://host:port` or `mqtts://host:port`.
        url: String,
        /// Who we are.
        user: Option<String>,
        /// Our password, alone in a file.
        password_file: Option<PathBuf>,
        /// Whom we trust, for `mqtts`.
        ca_file: Option<PathBuf>,
        /// The operator's words are taken from `P/do/...`.
        accept_commands: bool,
    },
}

/// `[web]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Web {
    /// Where the page listens.
    pub listen: SocketAddr,
    /// The PIN's argon2 hash, alone in a file.
    pub pin_file: Option<PathBuf>,
    /// Certificate and key, PEM.
    pub tls: Option<(PathBuf, PathBuf)>,
    /// Further names by which the page may be asked for.
    pub allowed_hosts: Vec<String>,
}

/// `[journal]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Journal {
    /// The database.
    pub path: PathBuf,
    /// How long it remembers.
    pub keep_days: u32,
}

/// `[[notify]]`: one way out.
#[derive(Clone, Debug, PartialEq)]
pub struct Notify {
    /// Where the webhook goes.
    pub url: String,
    /// A body template, instead of CloudEvents JSON.
    pub body: Option<String>,
}

/// Reads a plan. `file` is its name in findings.
#[must_use]
pub fn load(_text: &str, _file: &str) -> (Option<Plan>, Vec<Finding>) {
    (None, Vec::new())
}
