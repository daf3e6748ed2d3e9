//! Every metric, documented once: name, kind, labels, help. The exposition, its tests and the
//! documentation speak from here. Names follow the Prometheus naming practices: base units, plural,
//! `_total` for counters.

/// What kind of metric it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Goes up and down.
    Gauge,
    /// Only goes up, from zero at each start.
    Counter,
    /// Counts by size.
    Histogram,
}

/// One row.
#[derive(Clone, Copy, Debug)]
pub struct Row {
    /// The whole name.
    pub name: &'static str,
    /// Its kind.
    pub kind: Kind,
    /// Its labels.
    pub labels: &'static [&'static str],
    /// What it says, in one line.
    pub help: &'static str,
}

macro_rules! table {
    ($($constant:ident $name:literal $kind:ident [$($label:literal),*] $help:literal;)*) => {
        $(
            #[doc = $help]
            pub const $constant: Row =
                Row { name: $name, kind: Kind::$kind, labels: &[$($label),*], help: $help };
        )*
        /// Every metric.
        pub const ALL: &[Row] = &[$($constant),*];
    };
}

table! {
    BUILD_INFO "taillamp_build_info" Gauge ["version"]
        "Always 1; the label says which version runs.";
    UP "taillamp_up_seconds" Gauge []
        "Time since the daemon started.";
    MESSAGES "taillamp_messages_total" Counter ["outcome"]
        "MQTT messages by what became of them; of a pack with several samples, of the worst.";
    BLOCK_STATE "taillamp_block_state" Gauge ["block", "state"]
        "1 for the state that the block is in, 0 for the others.";
    TURNOUT_STATE "taillamp_turnout_state" Gauge ["turnout", "position", "state"]
        "1 for the position and clearance that the turnout has, 0 for the others.";
    TURNOUT_MOVEMENTS "taillamp_turnout_movements_total" Counter ["turnout"]
        "How often the points moved.";
    LEFT_DIVERGING "taillamp_turnout_left_diverging_seconds_total" Counter ["turnout"]
        "Time that the points stood left diverging behind a cleared train.";
    DETECTOR_CURRENT "taillamp_detector_current_amperes" Gauge ["detector"]
        "Last reading of a current detector.";
    DETECTOR_LEVEL "taillamp_detector_level_ratio" Gauge ["detector"]
        "Last reading of an optical detector that reports a part of full level.";
    DETECTOR_LUX "taillamp_detector_illuminance_lux" Gauge ["detector"]
        "Last reading of an optical detector that reports illuminance.";
    DETECTOR_SILENCE "taillamp_detector_silence_seconds" Gauge ["detector"]
        "Time since the detector was last heard, or since the start.";
    DETECTOR_DROPOUTS "taillamp_detector_dropouts_total" Counter ["detector"]
        "How often detection was lost for a moment under a train.";
    DETECTOR_PASSES "taillamp_detector_passes_total" Counter ["detector"]
        "How often a vehicle came to the detector; drop-outs for each say how dirty the track is.";
    DETECTOR_HEALTH "taillamp_detector_health" Gauge ["detector", "health"]
        "1 for the health that the detector has, 0 for the others.";
    DETECTOR_CLOCK_STEPS "taillamp_detector_clock_steps_total" Counter ["detector"]
        "How often the detector's own clock was seen to step.";
    TRAINS "taillamp_trains" Gauge []
        "Trains that are followed.";
    ALARMS_ACTIVE "taillamp_alarms_active" Gauge ["priority"]
        "Alarms whose condition lasts and that are not put aside.";
    ALARMS_RAISED "taillamp_alarms_raised_total" Counter ["type"]
        "How often an alarm became unacknowledged.";
    ALARMS_AVERAGE "taillamp_alarms_interval_mean" Gauge []
        "Alarms in ten minutes, the average since the start or of the last day.";
    ALARMS_LAST "taillamp_alarms_interval_last" Gauge []
        "Alarms of the last ten minutes.";
    ALARMS_PEAK "taillamp_alarms_interval_peak" Gauge []
        "The most alarms in any ten minutes since the start or of the last day.";
    ALARM_FLOOD "taillamp_alarm_flood" Gauge []
        "1 in a flood: from more than 10 alarms in ten minutes until there are fewer than 5.";
    ALARM_FLOOD_RATIO "taillamp_alarm_flood_ratio" Gauge []
        "The part of the time in flood, since the start or of the last day.";
    ALARMS_CHATTERING "taillamp_alarms_chattering" Gauge []
        "Alarms that came three times within a minute, since the start or within the last day.";
    ALARMS_STALE "taillamp_alarms_stale" Gauge []
        "Alarms whose condition has lasted for more than a day.";
    ALARMS_SHELVED "taillamp_alarms_shelved" Gauge []
        "Alarms that are shelved.";
    ALARMS_SPLIT "taillamp_alarms_priority_ratio" Gauge ["priority"]
        "The part that each priority has in all alarms since the start or of the last day.";
    LISTENING "taillamp_listening_pages" Gauge []
        "Pages that are open with sound.";
    NOTICES "taillamp_notifications_total" Counter ["way", "outcome"]
        "What became of the warnings that left by a way out of the plan.";
    NOTICES_WAITING "taillamp_notifications_waiting" Gauge ["way"]
        "Warnings that wait to leave by a way out.";
    DECISION "taillamp_decision_seconds" Histogram []
        "Time from a message's arrival until the state that follows is handed to the publisher.";
    BROKER_CONNECTED "taillamp_broker_connected" Gauge []
        "1 while the broker is connected.";
    BROKER_RECONNECTS "taillamp_broker_reconnects_total" Counter []
        "How often the connection to the broker was made again.";
    EVENT_STREAMS "taillamp_event_streams" Gauge []
        "Event streams that are open, one a page.";
    PLAN_RELOADED "taillamp_plan_last_reload_successful" Gauge []
        "1 if the last attempt to load the plan was a success, 0 if the old plan was kept.";
    JOURNAL_WRITE "taillamp_journal_write_seconds" Histogram []
        "How long each write of the journal took until it was on the disk.";
    JOURNAL_DELAY "taillamp_journal_delay_seconds" Histogram []
        "Time from what was published first to its being on the disk.";
    JOURNAL_LOST "taillamp_journal_lost_total" Counter []
        "What the journal could not take because the disk did not follow.";
    JOURNAL_BEHIND "taillamp_journal_behind" Gauge []
        "1 while something that was published is not on the disk in time.";
    JOURNAL_BYTES "taillamp_journal_bytes" Gauge []
        "Size of the journal's file when it was last looked at.";
    HTTP_REFUSED "taillamp_http_refused_total" Counter ["reason"]
        "HTTP connections and requests that were refused.";
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The names that contract and dashboards rely on.
    #[test]
    fn names_are_unique_and_follow_the_naming_practices() {
        let mut names: Vec<&str> = ALL.iter().map(|row| row.name).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), ALL.len());
        for row in ALL {
            assert!(row.name.starts_with("taillamp_"), "{}", row.name);
            let total = row.name.ends_with("_total");
            assert_eq!(total, row.kind == Kind::Counter, "{}", row.name);
            assert!(row.help.ends_with('.'), "{}", row.name);
        }
    }
}
