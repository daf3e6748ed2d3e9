//! What was said last and will not be said again by itself: positions, feeds, devices' comings and
//! goings, and detectors that report changes only.
//!
//! A changed plan makes a new engine, which remembers what a restart would (rule B8). What the
//! broker would send again after a restart, because it is retained there, it does not send to a
//! daemon that stayed connected; so it is kept here and said again, as the old news that it is.

use std::collections::HashMap;

use bytes::Bytes;

use crate::engine::layout::Layout;
use crate::plan::{Bound, Listener};
use crate::wire::topics::TopicTable;

/// The last payload of each such topic; bounded by the topics of the plan.
#[derive(Debug, Default)]
pub(super) struct LastWords {
    by_topic: HashMap<String, Bytes>,
}

impl LastWords {
    /// A message came.
    pub(super) fn heard(
        &mut self,
        table: &TopicTable,
        layout: &Layout,
        topic: &str,
        payload: &Bytes,
    ) {
        if rank(table.listeners(topic), layout).is_none() {
            return;
        }
        if payload.is_empty() {
            self.by_topic.remove(topic);
        } else if let Some(known) = self.by_topic.get_mut(topic) {
            known.clone_from(payload);
        } else {
            self.by_topic.insert(topic.to_owned(), payload.clone());
        }
    }

    /// Topics and payloads that the plan still knows, in the order in which they are to be said:
    /// devices, feeds, positions, detectors. The rest is forgotten.
    pub(super) fn again(&mut self, table: &TopicTable, layout: &Layout) -> Vec<(String, Bytes)> {
        self.by_topic
            .retain(|topic, _| rank(table.listeners(topic), layout).is_some());
        let mut words: Vec<(Option<u8>, String, Bytes)> = self
            .by_topic
            .iter()
            .map(|(topic, payload)| {
                (
                    rank(table.listeners(topic), layout),
                    topic.clone(),
                    payload.clone(),
                )
            })
            .collect();
        words.sort();
        words
            .into_iter()
            .map(|(_, topic, payload)| (topic, payload))
            .collect()
    }
}

/// Where in the order a topic stands; `None` for one whose next message comes by itself. What was
/// asked is not asked again: the answer to it is a position.
fn rank(listeners: &[Listener], layout: &Layout) -> Option<u8> {
    let one = |listener: &Listener| match &listener.subject {
        Bound::Node(_) => Some(0),
        Bound::Feed(_) => Some(1),
        Bound::Position(_) | Bound::TablePosition(_) => Some(2),
        Bound::Detector(detector) => {
            let detector = layout.detectors.get(detector.index())?;
            detector.max_silence.is_none().then_some(3)
        }
        // A peer's word is about one moment, and the next is two seconds away.
        Bound::Asked(_) | Bound::TableAsked(_) | Bound::Peer(_) => None,
    };
    listeners.iter().filter_map(one).min()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan;

    const PLAN: &str = "[layout]\nname = \"x\"\nscale = \"HO\"\n[[block]]\nid = \"a\"\n\
        [[block]]\nid = \"b\"\n[[block]]\nid = \"c\"\n[[turnout]]\nid = \"w1\"\ntoe = \"a.b\"\n\
        normal = \"b.a\"\nreverse = \"c.a\"\n[[feed]]\nid = \"f1\"\nblocks = [\"c\"]\n\
        [[node]]\nid = \"n1\"\n\
        [[detector]]\nid = \"d-a\"\nkind = \"current\"\nblock = \"a\"\non = 3\noff = 1.5\n\
        [[detector]]\nid = \"d-b\"\nkind = \"current\"\nblock = \"b\"\non = 3\noff = 1.5\n\
        max_silence_s = 0\nnode = \"n1\"\n";

    #[test]
    fn what_comes_again_by_itself_is_not_kept() {
        let plan = plan::load(PLAN, "plan.toml").0.expect("a good plan");
        let table = TopicTable::new(&plan);
        let mut words = LastWords::default();
        for (topic, payload) in [
            ("detector/d-a", "1"),
            ("detector/d-b", "2"),
            ("position/w1", "3"),
            ("asked/w1", "4"),
            ("feed/f1", "5"),
            ("node/n1", "online"),
            ("nonsense", "6"),
            ("position/w1", "7"),
        ] {
            let topic = format!("taillamp/{topic}");
            words.heard(&table, &plan.layout, &topic, &Bytes::from(payload));
        }
        let again = |words: &mut LastWords| -> Vec<String> {
            let again = words.again(&table, &plan.layout).into_iter();
            again
                .map(|(topic, payload)| format!("{topic} {payload:?}"))
                .collect()
        };
        let expected = [
            "taillamp/node/n1 b\"online\"",
            "taillamp/feed/f1 b\"5\"",
            "taillamp/position/w1 b\"7\"",
            "taillamp/detector/d-b b\"2\"",
        ];
        assert_eq!(again(&mut words), expected);
        words.heard(&table, &plan.layout, "taillamp/feed/f1", &Bytes::new());
        assert_eq!(
            again(&mut words).len(),
            3,
            "a cleared value is not said again"
        );
    }
}
