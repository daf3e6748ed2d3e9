//! MQTT topic names and filters: what is valid and what matches (OASIS MQTT 3.1.1, section 4.7).
//!
//! Inputs: names and filters as text. Outputs: yes or no. It does not know which topics exist.

/// The longest topic in UTF-8 bytes ([MQTT-4.7.3-3]).
pub const TOPIC_BYTES_MAX: usize = 65_535;

/// Whether a message can be published under this name.
#[must_use]
pub fn is_name(topic: &str) -> bool {
    is_text(topic) && !topic.contains(['+', '#'])
}

/// Whether a client can subscribe to this.
#[must_use]
pub fn is_filter(filter: &str) -> bool {
    if !is_text(filter) {
        return false;
    }
    let levels: Vec<&str> = filter.split('/').collect();
    levels
        .iter()
        .enumerate()
        .all(|(index, level)| match *level {
            "+" => true,
            "#" => index + 1 == levels.len(),
            level => !level.contains(['+', '#']),
        })
}

/// Whether a valid filter takes in a valid topic name.
#[must_use]
pub fn matches(filter: &str, topic: &str) -> bool {
    // [MQTT-4.7.2-1]: a leading wildcard does not take in topics of the server's own.
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut topic_levels = topic.split('/');
    for level in filter.split('/') {
        match (level, topic_levels.next()) {
            ("#", _) => return true,
            ("+", Some(_)) => {}
            (level, Some(name)) if level == name => {}
            _ => return false,
        }
    }
    topic_levels.next().is_none()
}

fn is_text(topic: &str) -> bool {
    (1..=TOPIC_BYTES_MAX).contains(&topic.len()) && !topic.contains('\0')
}

#[cfg(test)]
mod tests {
    use super::{is_filter, is_name, matches};

    #[test]
    fn matching_as_the_standard_says() {
        // OASIS MQTT 3.1.1, sections 4.7.1.2, 4.7.1.3 and 4.7.2.
        let table = [
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
            ("$SYS/#", "$SYS/monitor", true),
            ("$SYS/monitor/+", "$SYS/monitor/Clients", true),
            // Section 4.7.3: case counts; from memory: a slash makes another topic.
            ("ACCOUNTS", "Accounts", false),
            ("finance", "/finance", false),
            ("finance", "finance/", false),
        ];
        for (filter, topic, expected) in table {
            assert_eq!(matches(filter, topic), expected, "{filter} {topic}");
        }
    }

    #[test]
    fn validity_as_the_standard_says() {
        // OASIS MQTT 3.1.1, sections 4.7.1 and 4.7.3.
        for filter in ["#", "+", "+/tennis/#", "sport/+/player1", "/", "sport/#"] {
            assert!(is_filter(filter), "{filter}");
        }
        for filter in [
            "sport/tennis#",
            "sport/tennis/#/ranking",
            "sport+",
            "",
            "a\0b",
        ] {
            assert!(!is_filter(filter), "{filter}");
        }
        assert!(is_name("wharf/detector/d-goods-1"));
        for name in ["", "a/+", "a/#", "a\0"] {
            assert!(!is_name(name), "{name}");
        }
        assert!(is_name(&"a".repeat(65_535)));
        assert!(!is_name(&"a".repeat(65_536)));
    }
}
