//! The sections about the whole: layout, broker, page, journal, trains, defaults.

use super::{Table, sections};
use crate::engine::layout::Equipped;
use crate::plan::report::Report;
use crate::plan::value::{
    BrokerUrl, Count, End, Flag, Hours, Kind, List, Listen, Millis, Minutes, NotNegative, Positive,
    Scale, Seconds, Text, Topic, one_of, words,
};
use serde_json::{Value as Json, json};
use toml_edit::Item;

words! {
    /// Which vehicles show up in current sensing.
    EquippedWord -> Equipped {
        "none" => Equipped::None,
        "ends" => Equipped::Ends,
        "all" => Equipped::All,
    }
}

sections! {
    /// What the layout is called and how it is scaled.
    LayoutDoc "[layout]" {
        /// What people call the layout.
        name: Text; required,
        /// A name from the published scale table, such as "HO", or a ratio such as "1:87.1".
        scale: Scale; required,
        /// The first part of every MQTT topic of this layout.
        topic_prefix: Topic = "taillamp",
        /// The lines in the order in which the page draws them, from above. Lines that are not
        /// named follow in an order of their own.
        lines: List<Text>,
        /// Ends of blocks that the page draws on the left: a circuit begins there, other track is
        /// turned so. Of two on one piece of track the first counts.
        left: List<End>,
    }

    /// Where messages come from: the broker inside the daemon, or one elsewhere.
    MqttDoc "[mqtt]" {
        /// Use the broker inside the daemon. Left out, it is used unless `url` is given.
        embedded: Flag,
        /// Where the broker inside the daemon listens. Beyond this computer it needs
        /// `password_file`, or `allow_anonymous = true`.
        listen: Listen = "127.0.0.1:1883",
        /// Anybody on the network may connect to the broker inside the daemon.
        allow_anonymous: Flag = false,
        /// A broker elsewhere: mqtt://host:1883, or mqtts://host:8883.
        url: BrokerUrl,
        /// Who we are at the broker elsewhere.
        user: Text,
        /// For a broker elsewhere, a file with our password; for the broker inside the daemon, a
        /// file of `user:hash` lines. Relative to the plan's folder.
        password_file: Text,
        /// A file with the certificates that we trust, for mqtts. Relative to the plan's folder.
        ca_file: Text,
        /// Take the operator's words from `P/do/...` topics.
        accept_commands: Flag = false,
    }

    /// The page for the phone.
    WebDoc "[web]" {
        /// Where the page listens.
        listen: Listen = "127.0.0.1:8080",
        /// A file with the hash of the PIN that is asked before anything is changed. Relative to
        /// the plan's folder.
        pin_file: Text,
        /// Serve the page encrypted.
        tls: Table<TlsDoc>,
        /// Further names by which the page may be asked for.
        allowed_hosts: List<Text>,
    }

    /// Certificate and key of the page, as PEM files. Relative to the plan's folder.
    TlsDoc "`tls`" {
        /// The certificate, with what signs it.
        cert: Text; required,
        /// Its key.
        key: Text; required,
    }

    /// What is remembered on disk.
    JournalDoc "[journal]" {
        /// The database. Relative to the plan's folder.
        path: Text = "taillamp.db",
        /// How many days it remembers.
        keep_days: Count = 90,
        /// How large it may become, in megabytes; then the oldest goes.
        keep_mb: Count = 1000,
        /// Keep what the devices said too, so much of it, in megabytes: for `record
        /// --from-journal`. Left out, none is kept: it wears a memory card out.
        raw_mb: Count,
    }

    /// What is true of all trains.
    TrainsDoc "[trains]" {
        /// Which vehicles show up in current sensing: engines and lit cars only (none), the first
        /// and last vehicle of every train (ends), or every vehicle (all).
        equipped: EquippedWord = "none",
        /// The resistance across one resistor wheelset, in ohms: what one axle draws follows from
        /// it.
        wheelset_ohms: Positive = 10000,
        /// How many wheelsets of an equipped vehicle carry resistors.
        wheelsets_per_car: Count = 2,
        /// The voltage on the track, in volts: 12 of the throttle (NMRA S-9), about 14 of digital
        /// track power.
        track_volts: Positive = 12,
    }

    /// Times and limits that hold wherever an item does not have its own.
    DefaultsDoc "[defaults]" {
        /// How long every detector of a place must be off before it is vacant, in seconds.
        release_s: Seconds = 1.5,
        /// How long a train may be lost before the alarm, in seconds.
        lost_s: Seconds = 5,
        /// How long after a feed is live again its readings are waited for, in seconds.
        settle_s: Seconds = 0.5,
        /// How long an engine may coast out of a place whose power has gone, in seconds.
        coast_s: Seconds = 10,
        /// Within which time all places of a feed lose their current when it trips, in
        /// milliseconds.
        trip_ms: Millis = 300,
        /// How long a neighbour may be lit through a train's wheels across the gap, in
        /// milliseconds.
        bridge_ms: Millis = 500,
        /// The voltage, sign ignored, from which a throttle feed is live, in volts.
        see_volts: Positive = 2.0,
        /// How long a feed that should be off may be left on unused, in seconds.
        idle_feed_s: Seconds = 300,
        /// How long a turnout must be without a sign of a vehicle before it is clear, in seconds.
        /// 49 CFR 236.309: a loss of detection of 5 seconds or less releases nothing.
        clear_s: Seconds = 5,
        /// How long after a train has cleared points they may be left diverging, in seconds.
        restore_s: Seconds = 10,
        /// How long points may be set diverging without a train, in seconds.
        awaiting_s: Seconds = 120,
        /// How long points or a table may be moving, in seconds.
        move_s: Seconds = 4,
        /// How long a new position must last before it counts, in milliseconds.
        position_confirm_ms: Millis = 150,
        /// How long the two ends of a crossover may differ, in seconds.
        agree_s: Seconds = 3,
        /// Points are in an operator's charge for so long where no time is given, in minutes.
        in_charge_minutes: Minutes = 15,
        /// How long a sample must stay at or beyond `on` before it counts, in milliseconds.
        confirm_ms: Millis = 0,
        /// How long a detector may be silent, in seconds. 0: it reports changes only.
        max_silence_s: Seconds = 10,
        /// For how long after a device comes online its readings count only as `on`, in seconds.
        node_settle_s: Seconds = 2,
        /// How long a step of the room light may hide what optical detectors see, in seconds.
        relearn_s: Seconds = 3,
        /// A detector that is on for so long while trains come and go is stuck, in hours.
        stuck_h: Hours = 2,
        /// A detector with more drop-outs an hour than this is noisy.
        noisy_per_h: Count = 30,
        /// Wanted mean time between false occupancies of a sequential test, in hours.
        false_alarm_every_h: Positive = 720,
        /// Samples a second of a sequential test.
        sample_hz: Positive = 10,
        /// How long silence raises nothing after a start, in seconds.
        boot_s: Seconds = 60,
        /// How long a fiddle block that was emptied by hand stays unknown, in seconds.
        fiddle_s: Seconds = 30,
        /// How long a train's middle may be unseen before it has parted, in seconds.
        part_s: Seconds = 5,
        /// A warning comes when the time left falls under this, in seconds.
        look_ahead_s: Seconds = 20,
        /// Faster than this into a siding, yard or stub is worth a warning, in scale km/h.
        yard_speed_kmh: NotNegative = 30,
    }
}
