//! Topic names and topic filters: which are valid, and which match (MQTT 3.1.1 section 4.7).
//!
//! In: text as it came over the wire. Out: a verdict. What the standard says is [`mqtt_topic`]'s;
//! here are this broker's limits on top of it.

use crate::wire::mqtt_topic;
pub(super) use crate::wire::mqtt_topic::matches;

/// Most levels of a topic or filter: the subscription tree is walked level by level.
const LEVELS_MAX: usize = 64;

/// Whether clients may publish to this topic name (4.7.1-1, 4.7.3-1, 4.7.3-2).
#[must_use]
pub(super) fn valid_topic(topic: &str, length_max: usize) -> bool {
    mqtt_topic::is_name(topic) && within_limits(topic, length_max)
}

/// Whether clients may subscribe to this filter (4.7.1-2, 4.7.1-3, 4.7.3-1, 4.7.3-2).
#[must_use]
pub(super) fn valid_filter(filter: &str, length_max: usize) -> bool {
    mqtt_topic::is_filter(filter) && within_limits(filter, length_max)
}

fn within_limits(text: &str, length_max: usize) -> bool {
    text.len() <= length_max && text.split('/').count() <= LEVELS_MAX
}

/// Whether a filter asks for a shared subscription, which is a thing of MQTT 5 and not offered
/// here.
#[must_use]
pub(super) fn is_shared(filter: &str) -> bool {
    filter.split('/').next() == Some("$share")
}

/// Whether a topic belongs to the server alone (4.7.2: clients should not exchange messages
/// there).
#[must_use]
pub(super) fn is_reserved(topic: &str) -> bool {
    topic.split('/').next() == Some("$SYS")
}

/// The part of a filter before its first wildcard: every topic that it matches begins with it, but
/// for the parent of a final `#`.
#[must_use]
pub(super) fn fixed_prefix(filter: &str) -> &str {
    match filter.find(['+', '#']) {
        Some(at) => filter[..at].trim_end_matches('/'),
        None => filter,
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Filter, topic, match: MQTT 3.1.1 (OASIS standard) section 4.7.1.2, 4.7.1.3 and 4.7.2.
    pub(in super::super) const VECTORS: &[(&str, &str, bool)] = &[
        ("sport/tennis/player1/#", "sport/tennis/player1", true),
        (
            "sport/tennis/player1/#",
            "sport/tennis/player1/ranking",
            true,
        ),
        (
            "sport/tennis/player1/#",
            "sport/tennis/player1/score/wimbledon",
            true,
        ),
        ("sport/#", "sport", true),
        ("#", "sport/tennis", true),
        ("sport/tennis/+", "sport/tennis/player1", true),
        ("sport/tennis/+", "sport/tennis/player2", true),
        ("sport/tennis/+", "sport/tennis/player1/ranking", false),
        ("sport/+", "sport", false),
        ("sport/+", "sport/", true),
        ("+/+", "/finance", true),
        ("/+", "/finance", true),
        ("+", "/finance", false),
        ("#", "$SYS/anything", false),
        ("+/monitor/Clients", "$SYS/monitor/Clients", false),
        ("$SYS/#", "$SYS/monitor/Clients", true),
        ("$SYS/monitor/+", "$SYS/monitor/Clients", true),
        ("ACCOUNTS", "Accounts", false),
        ("/finance", "finance", false),
        ("finance/", "finance", false),
        ("ähre/+", "ähre/größe", true),
        ("+/größe", "ähre/größe", true),
    ];

    #[test]
    fn the_standards_matches() {
        for (filter, topic, expected) in VECTORS {
            assert_eq!(matches(filter, topic), *expected, "{filter} on {topic}");
        }
    }

    #[test]
    fn the_standards_filters() {
        // MQTT 3.1.1 section 4.7.1.2 and 4.7.1.3 name these as valid and invalid.
        for good in [
            "#",
            "+",
            "+/tennis/#",
            "sport/+/player1",
            "/",
            "sport/#",
            "a//b",
            "ü/#",
        ] {
            assert!(valid_filter(good, 100), "{good}");
        }
        for bad in [
            "",
            "sport/tennis#",
            "sport/tennis/#/ranking",
            "sport+",
            "a/+b/c",
            "a\0b",
        ] {
            assert!(!valid_filter(bad, 100), "{bad:?}");
        }
        assert!(!valid_filter("abcdef", 5), "longer than the limit");
    }

    #[test]
    fn topic_names_have_no_wildcards_and_an_end() {
        assert!(valid_topic("a/b", 10));
        assert!(valid_topic("/", 10));
        for bad in ["", "a/+", "#", "a\0"] {
            assert!(!valid_topic(bad, 10), "{bad:?}");
        }
        assert!(
            !valid_topic(&"a/".repeat(LEVELS_MAX), 1_000),
            "too many levels"
        );
    }

    #[test]
    fn the_prefix_covers_the_parent_of_a_hash() {
        assert_eq!(fixed_prefix("a/b/#"), "a/b");
        assert_eq!(fixed_prefix("a/+/c"), "a");
        assert_eq!(fixed_prefix("#"), "");
        assert_eq!(fixed_prefix("a/b"), "a/b");
    }
}
