//! Who may publish what, as the plan has it.
//!
//! Input: the plan's topics, and which `[[node]]` carries what. Output: yes or no for a user and a
//! topic, and the same as the access list of a Mosquitto broker. A user that is called like a node
//! is that device. What a node carries, it alone reports; what no node carries, anybody may report
//! who has got in. The operator's words are for people: no device gives them.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use crate::engine::ids::NodeId;
use crate::engine::layout::Layout;
use crate::plan::{Bound, Mqtt, Plan};

/// The name under which the daemon itself logs in.
pub const OWN_USER: &str = "taillamp";

/// What the daemon reports, below the prefix.
const OURS: [&str; 5] = ["state/", "alarm/", "say", "status", "borders"];

/// Who may publish to a topic that the plan knows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Speakers {
    /// The nodes that carry what it speaks about.
    nodes: BTreeSet<String>,
    /// It tells what was asked of points or a table: people's panels may say that too.
    asked: bool,
}

/// The rights that follow from a plan.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Rights {
    prefix: String,
    /// Under which name the daemon logs in at a broker elsewhere.
    own: String,
    nodes: BTreeSet<String>,
    topics: BTreeMap<String, Speakers>,
}

impl Rights {
    /// The rights of a plan.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        let layout = &plan.layout;
        let mut topics: BTreeMap<String, Speakers> = BTreeMap::new();
        for binding in &plan.bindings {
            let speakers = topics.entry(binding.topic.clone()).or_default();
            let node = carrier(layout, &binding.listener.subject)
                .and_then(|id| layout.nodes.get(id.index()));
            speakers.nodes.extend(node.map(|node| node.id.clone()));
            speakers.asked |= matches!(
                binding.listener.subject,
                Bound::Asked(_) | Bound::TableAsked(_)
            );
        }
        Self {
            prefix: plan.topic_prefix.clone(),
            own: match &plan.mqtt {
                Mqtt::External {
                    user: Some(user), ..
                } => user.clone(),
                Mqtt::External { .. } | Mqtt::Embedded { .. } => OWN_USER.to_owned(),
            },
            nodes: layout.nodes.iter().map(|node| node.id.clone()).collect(),
            topics,
        }
    }

    /// Whether a user (`None`: anonymous) may publish to a topic.
    #[must_use]
    pub fn may_publish(&self, user: Option<&str>, topic: &str) -> bool {
        if user == Some(OWN_USER) {
            return true;
        }
        let below = topic
            .strip_prefix(&self.prefix)
            .and_then(|rest| rest.strip_prefix('/'));
        if below.is_some_and(|below| OURS.iter().any(|ours| below.starts_with(ours))) {
            return false;
        }
        let person = user.is_some_and(|user| !self.nodes.contains(user));
        if below.is_some_and(|below| below.starts_with("do/")) {
            return person;
        }
        // A topic that the plan does not know decides nothing; `listen` shows who speaks there.
        self.topics.get(topic).is_none_or(|speakers| {
            speakers.nodes.is_empty()
                || user.is_some_and(|user| speakers.nodes.contains(user))
                || (speakers.asked && person)
        })
    }

    /// The same as an access list for Mosquitto (mosquitto.conf(5), `acl_file`), where the users
    /// in `people` may give the operator's words. There, what the plan does not know is refused.
    #[must_use]
    pub fn mosquitto(&self, people: &[String]) -> String {
        let prefix = &self.prefix;
        let mut text = format!("{MOSQUITTO_HEAD}\npattern read {prefix}/#\n");
        let foreign = |topic: &&String| !topic.starts_with(&format!("{prefix}/"));
        for topic in self.topics.keys().filter(foreign) {
            line(&mut text, "pattern read", topic);
        }
        let nobodys = self.topics.iter().filter(|(_, who)| who.nodes.is_empty());
        for (number, (topic, _)) in nobodys.enumerate() {
            if number == 0 {
                text.push_str(NOBODYS);
            }
            line(&mut text, "pattern write", topic);
        }
        let _ = writeln!(text, "\n# The daemon.\nuser {}", self.own);
        for topic in ["state/#", "alarm/#", "say", "status", "borders"] {
            line(&mut text, "topic write", &format!("{prefix}/{topic}"));
        }
        for node in &self.nodes {
            let _ = writeln!(text, "\nuser {node}");
            for (topic, _) in self
                .topics
                .iter()
                .filter(|(_, who)| who.nodes.contains(node))
            {
                line(&mut text, "topic write", topic);
            }
        }
        for person in people {
            let _ = writeln!(text, "\n# The operator's words.\nuser {person}");
            line(&mut text, "topic write", &format!("{prefix}/do/#"));
            for (topic, _) in self.topics.iter().filter(|(_, who)| who.asked) {
                line(&mut text, "topic write", topic);
            }
        }
        text
    }
}

const MOSQUITTO_HEAD: &str = "\
# Who may publish and read what, for Mosquitto. Made from the plan by `taillamp acl`: make it again
# whenever a board, a detector, points, a table or a feed has come or gone.
# A board logs in under the id of its [[node]]. Whoever gets in may read.
";

const NOBODYS: &str = "
# No [[node]] carries these: whoever gets in may report them. Give them a `node` in the plan.
";

fn line(text: &mut String, what: &str, topic: &str) {
    // Writing to a String cannot fail.
    let _ = writeln!(text, "{what} {topic}");
}

/// The node that carries what a topic speaks about.
fn carrier(layout: &Layout, subject: &Bound) -> Option<NodeId> {
    match subject {
        Bound::Detector(id) => layout.detectors.get(id.index())?.node,
        Bound::Position(id) | Bound::Asked(id) => layout.turnouts.get(id.index())?.node,
        Bound::TablePosition(id) | Bound::TableAsked(id) => layout.tables.get(id.index())?.node,
        Bound::Feed(id) => layout.feeds.get(id.index())?.node,
        Bound::Node(words) => Some(words.node),
        Bound::Peer(id) => Some(layout.peers.get(id.index())?.node),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan;

    const PLAN: &str = r#"
        [layout]
        name = "Wharf Lane"
        scale = "HO"
        topic_prefix = "wharf"
        [[node]]
        id = "board-1"
        [[node]]
        id = "board-2"
        [[block]]
        id = "east"
        [[block]]
        id = "west"
        [[block]]
        id = "siding"
        use = "siding"
        [[turnout]]
        id = "w1"
        toe = "east.b"
        normal = "west.a"
        reverse = "siding.a"
        node = "board-2"
        [[feed]]
        id = "siding-power"
        blocks = ["siding"]
        [[detector]]
        id = "d-east"
        kind = "current"
        block = "east"
        on = 3.0
        off = 1.5
        node = "board-1"
        [[detector]]
        id = "d-west"
        kind = "current"
        block = "west"
        on = 3.0
        off = 1.5
        node = "board-2"
        topic = "elsewhere/west"
    "#;

    fn rights() -> Rights {
        let (plan, findings) = plan::load(PLAN, "plan.toml");
        Rights::new(&plan.unwrap_or_else(|| panic!("{findings:?}")))
    }

    #[test]
    fn a_board_reports_what_it_carries_and_nothing_that_another_carries() {
        let rights = rights();
        let may = |user, topic| rights.may_publish(user, topic);
        for topic in [
            "wharf/detector/d-east",
            "wharf/node/board-1",
            "wharf/feed/siding-power",
        ] {
            assert!(may(Some("board-1"), topic), "{topic}");
        }
        for topic in [
            "elsewhere/west",
            "wharf/node/board-2",
            "wharf/position/w1",
            "wharf/asked/w1",
            "wharf/do/acknowledge/left-diverging:w1",
            "wharf/state/turnout/w1",
            "wharf/alarm/left-diverging:w1",
            "wharf/say",
            "wharf/status",
        ] {
            assert!(!may(Some("board-1"), topic), "{topic}");
        }
        assert!(may(Some("board-2"), "elsewhere/west") && may(Some("board-2"), "wharf/asked/w1"));
    }

    #[test]
    fn people_give_words_and_devices_topics_stay_shut_to_them() {
        let rights = rights();
        let may = |user, topic| rights.may_publish(user, topic);
        assert!(may(Some("sam"), "wharf/do/empty/siding") && may(Some("sam"), "wharf/asked/w1"));
        assert!(!may(Some("sam"), "wharf/detector/d-east"));
        assert!(!may(None, "wharf/do/empty/siding") && !may(None, "wharf/detector/d-east"));
        assert!(may(None, "wharf/detector/not-in-the-plan"));
        assert!(may(Some(OWN_USER), "wharf/state/turnout/w1"));
    }

    #[test]
    fn a_peer_gives_its_own_word_and_nobody_else_does() {
        let peer = r#"
            [[peer]]
            id = "harbour"
            prefix = "club/harbour"
            borders = [{ here = "west.b", there = "quay.a" }]
            [mqtt]
            url = "mqtt://192.0.2.10:1883"
            user = "wharf-computer"
        "#;
        let (plan, findings) = plan::load(&format!("{PLAN}{peer}"), "plan.toml");
        let rights = Rights::new(&plan.unwrap_or_else(|| panic!("{findings:?}")));
        for topic in ["club/harbour/borders", "club/harbour/status"] {
            assert!(rights.may_publish(Some("harbour"), topic), "{topic}");
            assert!(!rights.may_publish(Some("board-1"), topic), "{topic}");
            assert!(!rights.may_publish(None, topic), "{topic}");
        }
        assert!(!rights.may_publish(Some("harbour"), "wharf/borders"));
        let text = rights.mosquitto(&[]);
        assert!(text.contains("user wharf-computer\n"));
        assert!(text.contains("topic write wharf/borders\n"));
        assert!(text.contains("pattern read club/harbour/borders\n"));
        assert!(text.contains("user harbour\ntopic write club/harbour/borders\n"));
    }

    #[test]
    fn the_access_list_says_the_same() {
        let text = rights().mosquitto(&["sam".into()]);
        let of = |user: &str| {
            let part = text.split(&format!("user {user}\n")).nth(1).unwrap_or("");
            part.split("\n\n").next().unwrap_or("").to_owned()
        };
        assert!(of("board-1").contains("topic write wharf/detector/d-east"));
        assert!(!of("board-1").contains("elsewhere/west"));
        assert!(of("board-2").contains("topic write elsewhere/west"));
        assert!(of("sam").contains("topic write wharf/do/#"));
        assert!(of(OWN_USER).contains("topic write wharf/status"));
        assert!(text.contains("pattern read elsewhere/west\n"));
        assert!(text.contains("pattern write wharf/feed/siding-power\n"));
    }
}
