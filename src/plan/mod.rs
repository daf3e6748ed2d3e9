//! The plan file: the description of the layout, checked and resolved.
//!
//! [`load`] turns the text into a [`Plan`] and a list of findings; a plan with errors gives none.
//! It is pure: no file is opened, no clock is read, so that `check`, `run` and an editor agree.

mod checks;
mod document;
pub mod finding;
mod names;
pub mod notify;
mod report;
mod resolve;
pub mod scale;
pub mod schema;
mod value;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

use crate::engine::ids::{BlockId, DetectorId, FeedId, NodeId, PeerId, TableId, TurnoutId};
use crate::engine::layout::{Layout, Side};
use crate::engine::time::Span;
pub use finding::{Finding, Level};
pub use names::did_you_mean;
pub use notify::Notify;
pub use report::place;

/// A resolved plan: the layout for the engine and the settings for the shell.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// What the engine needs, which shares it.
    pub layout: Arc<Layout>,
    /// How the page draws it, as far as the plan says so.
    pub drawing: Drawing,
    /// The scale as the plan writes it: `HO` or `1:87.1`.
    pub scale: String,
    /// `topic_prefix`: the `P` of every topic.
    pub topic_prefix: String,
    /// Which topic speaks about what, and how.
    pub bindings: Vec<Binding>,
    /// `in_charge_minutes`: how long points are in an operator's charge where no time is given
    /// (T11).
    pub in_charge: Span,
    /// `[trains]`: what one axle draws.
    pub wheelsets: Wheelsets,
    /// `[mqtt]`.
    pub mqtt: Mqtt,
    /// `[web]`.
    pub web: Web,
    /// `[journal]`.
    pub journal: Journal,
    /// `[[notify]]`.
    pub notify: Vec<Notify>,
}

/// What `[layout]` says about the drawing; empty where the page is to find out by itself.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Drawing {
    /// `lines`: the first ones, from above.
    pub lines: Vec<String>,
    /// `left`: ends of blocks that lie on the left.
    pub left: Vec<(BlockId, Side)>,
}

/// The resistor wheelsets of `[trains]`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wheelsets {
    /// `wheelset_ohms`: across one axle.
    pub ohms: f64,
    /// `wheelsets_per_car`: how many axles of an equipped vehicle carry resistors.
    pub per_car: u32,
    /// `track_volts`.
    pub track_volts: f64,
}

/// As in a plan that says nothing.
impl Default for Wheelsets {
    fn default() -> Self {
        Self {
            ohms: 10_000.0,
            per_car: 2,
            track_volts: 12.0,
        }
    }
}

/// One incoming topic.
#[derive(Clone, Debug, PartialEq)]
pub struct Binding {
    /// The whole topic, prefix included.
    pub topic: String,
    /// Who listens to it.
    pub listener: Listener,
}

/// What hears a topic, and how. Kept small: each message looks at one of as many as there are
/// detectors, and what is seldom needed is behind a pointer.
#[derive(Clone, Debug, PartialEq)]
pub struct Listener {
    /// What the topic speaks about.
    pub subject: Bound,
    /// How its payload is read.
    pub format: Format,
    /// Which record of a pack: the resolved name or its end.
    pub record: Option<Box<str>>,
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
    /// A device's coming and going.
    Node(Box<NodeWords>),
    /// What another daemon says of its side of the borders.
    Peer(PeerId),
}

/// The payloads that tell of a device's coming and going.
#[derive(Clone, Debug, PartialEq)]
pub struct NodeWords {
    /// Whose.
    pub node: NodeId,
    /// The payload of its coming.
    pub online: String,
    /// The payload of its going.
    pub offline: String,
}

/// A board's own words: each of ours, and the words that mean it (`on`, `off`; `normal`, `reverse`,
/// `moving`; a stop's name, `between`).
pub type Words = Box<[(String, Vec<String>)]>;

/// How a payload is read.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Format {
    /// SenML JSON (RFC 8428).
    #[default]
    SenMl,
    /// A plain number.
    Number,
    /// A board's own words.
    Words(Words),
    /// A value inside a JSON document (RFC 6901); a string there is looked up in the words, if any.
    Pointer(Box<(String, Words)>),
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
    /// Its size at most, in megabytes.
    pub keep_mb: u32,
    /// Megabytes of raw messages at most; 0: none are kept.
    pub raw_mb: u32,
}

/// The largest plan file, in bytes: far above any layout, far below what would hurt.
const PLAN_BYTES_MAX: usize = 16 * 1024 * 1024;

/// Reads a plan. `file` is its name in findings, and paths in the plan are relative to its folder.
///
/// All findings come at once, in the order of their places; the plan only where none is an error.
#[must_use]
pub fn load(text: &str, file: &str) -> (Option<Plan>, Vec<Finding>) {
    let mut report = report::Report::default();
    let plan = read(text, file, &mut report).filter(|_| report.errors() == 0);
    (plan, report.into_findings(text, file))
}

fn read(text: &str, file: &str, report: &mut report::Report) -> Option<Plan> {
    if text.len() > PLAN_BYTES_MAX {
        let message = format!("the file has {} bytes", text.len());
        report.error(
            0,
            "too-long",
            message,
            format!("a plan has at most {PLAN_BYTES_MAX}"),
        );
        return None;
    }
    let mut written = document::read(text, report)?;
    let section = written.layout.as_ref().map(|layout| &layout.value);
    let prefix = section.and_then(|layout| layout.topic_prefix.as_ref());
    let topic_prefix = prefix
        .map_or("taillamp", |prefix| prefix.value.as_str())
        .to_owned();
    resolve::peers::expand(&mut written, &topic_prefix, report);
    let names = names::Names::collect(&written, report);
    let section = written.layout.as_ref().map(|layout| &layout.value);
    let resolved = resolve::resolve(&written, &names, &topic_prefix, report);
    let looking = checks::Looking {
        plan: &written,
        names: &names,
        resolved: &resolved,
    };
    checks::run(&looking, report);
    let mqtt = resolve::shell::mqtt(&written, file, report);
    let web = resolve::shell::web(&written, file, report);
    let notify = resolve::notify::notify(&written, file, report);
    let scale = section.and_then(|layout| layout.scale.as_ref());
    Some(Plan {
        layout: resolved.layout.into(),
        drawing: resolved.drawing,
        scale: scale.map(|scale| scale.value.0.clone())?,
        topic_prefix,
        in_charge: resolved.in_charge,
        wheelsets: resolve::shell::wheelsets(&written),
        bindings: resolved
            .bindings
            .into_iter()
            .map(|(binding, _)| binding)
            .collect(),
        mqtt: mqtt?,
        web: web?,
        journal: resolve::shell::journal(&written, file)?,
        notify,
    })
}
