//! Every alarm type, documented once: the table from which page, API, metrics and README speak.

/// How urgent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Priority {
    /// Soon.
    Low,
    /// Before the next train.
    Medium,
    /// Now.
    High,
}

impl Priority {
    /// The word in JSON.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
        }
    }
}

/// What an alarm's subject is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SubjectKind {
    /// A turnout.
    Turnout,
    /// A turnout or a table.
    TurnoutOrTable,
    /// A crossover.
    Crossover,
    /// A train.
    Train,
    /// A turnout, table or block.
    TrackItem,
    /// A place.
    Place,
    /// A feed.
    Feed,
    /// A table.
    Table,
    /// A detector or node.
    DetectorOrNode,
    /// The broker.
    Broker,
    /// The journal.
    Journal,
}

/// One row of the table.
#[derive(Clone, Copy, Debug)]
pub struct AlarmDoc {
    /// The word in ids and JSON.
    pub word: &'static str,
    /// What it is about.
    pub subject: SubjectKind,
    /// How urgent at first.
    pub priority: Priority,
    /// Why that urgent: what is at stake, and how soon.
    pub priority_reason: &'static str,
    /// Stays until reset.
    pub latches: bool,
    /// What brings it.
    pub cause: &'static str,
    /// What happens if nobody acts.
    pub consequence: &'static str,
    /// What to do.
    pub to_do: &'static str,
    /// How soon.
    pub respond_within_s: u32,
    /// How long the condition must last, ms. A warning of what is ahead waits only where there is
    /// time enough.
    pub on_delay_ms: u32,
    /// How long it must be gone, ms. None where the end is a proof or follows from the rules: good
    /// news of the track is told at once.
    pub off_delay_ms: u32,
    /// Not announced again within this, s, unless it is of high priority and says something new;
    /// what still lasts then is announced.
    pub re_alarm_limit_s: u32,
}

macro_rules! kinds {
    ($($name:ident $word:literal $subject:ident $priority:ident $latches:literal
       $reason:literal
       $cause:literal $consequence:literal $to_do:literal
       $respond:literal $on:literal $off:literal $re:literal;)*) => {
        /// An alarm type.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum AlarmKind {$(
            #[doc = $cause]
            $name,
        )*}

        impl AlarmKind {
            /// Every type, in the table's order.
            pub const ALL: &'static [Self] = &[$(Self::$name),*];

            /// Its row.
            #[must_use]
            pub const fn doc(self) -> AlarmDoc {
                match self {$(
                    Self::$name => AlarmDoc {
                        word: $word, subject: SubjectKind::$subject, priority: Priority::$priority,
                        priority_reason: $reason,
                        latches: $latches, cause: $cause, consequence: $consequence, to_do: $to_do,
                        respond_within_s: $respond, on_delay_ms: $on, off_delay_ms: $off,
                        re_alarm_limit_s: $re,
                    },
                )*}
            }
        }
    };
}

kinds! {
    LeftDiverging "left-diverging" Turnout Medium false
        "It hurts when the next train comes, and that has a warning of its own."
        "Points are still diverging and the train that needed them has passed."
        "The next train on the line is turned into a siding."
        "Set the points straight." 60 0 0 30;
    BoundForDiverging "bound-for-diverging" Turnout High false
        "Seconds remain, and the train is turned off its line."
        "A train comes to points that were left diverging behind another."
        "It is turned off its line."
        "Set the points straight, or stop the train." 10 0 0 10;
    SetAgainst "set-against" Turnout High false
        "Seconds remain, and wheels or blades are damaged."
        "A train comes along the leg that the points are not set for."
        "It derails or damages the points."
        "Stop the train, then set the points for it." 10 0 0 10;
    MovedUnderTrain "moved-under-train" TurnoutOrTable High true
        "It may have derailed already; the next metre makes it worse."
        "Points or a table moved with a vehicle on them, or before it was proven clear."
        "Wheels stand on two roads."
        "Stop. Look at the wheels before anything moves." 5 0 0 10;
    CrossoverSplit "crossover-split" Crossover Medium false
        "It hurts when a train comes; it is high when one is near."
        "One end of a crossover is set and the other is not."
        "A train runs into points set against it."
        "Set both ends alike." 30 0 0 30;
    NoCorrespondence "no-correspondence" TurnoutOrTable Medium false
        "Whoever relies on these points may be wrong."
        "Points or a table are not where they were asked to be, or report no position."
        "Nobody knows which way the next train goes."
        "Look at the blades; free what is in the way." 60 0 0 30;
    SetNoTrain "set-no-train" Turnout Low false
        "Nothing is on its way; it is only to be remembered."
        "Points have been diverging for a while and no train came."
        "They are forgotten."
        "Set them straight if no train is to come." 300 0 0 300;
    OccupiedAhead "occupied-ahead" Train Medium false
        "The driver may well mean to stop short or couple up."
        "The place ahead of a train holds another."
        "It runs into standing stock."
        "Slow down and stop short." 10 0 0 30;
    Opposing "opposing" Train High false
        "Seconds remain, at the speed of both."
        "Two trains run towards each other on one track."
        "They meet."
        "Stop both." 10 0 0 10;
    FouledAhead "fouled-ahead" Train High false
        "Seconds remain, and a train is hit in the side."
        "Another train fouls the points or the crossing ahead."
        "It is hit in the side."
        "Stop the train." 10 0 0 10;
    NoRoad "no-road" TrackItem High false
        "Seconds remain, and a train may fall."
        "The track ahead ends, or the table or bridge is not lined up."
        "The train falls off the end."
        "Stop the train." 10 0 0 10;
    DarkAhead "dark-ahead" Train Medium false
        "The train stops by itself; what stands there is not seen."
        "The track ahead has no power."
        "The train stops there, and what stands there is not seen."
        "Switch the track on, or stop short." 15 0 0 30;
    WillNotFit "will-not-fit" Train Medium false
        "There is time until the tail stands foul."
        "The train is longer than the place it runs into."
        "Its tail fouls the points behind it."
        "Choose a longer track, or leave the tail clear of the points." 15 0 0 30;
    TrainLost "train-lost" Place High false
        "The next train may hit what nobody sees."
        "Detection of a train stopped and nothing left the place."
        "A train or some of its cars stand unseen."
        "Look for it, then say what you found." 60 0 0 10;
    TrainParted "train-parted" Train High true
        "The next train may hit the portion left behind."
        "The middle of a moving train is gone and both ends are there."
        "The portion left behind is hit by the next train."
        "Stop. Fetch the portion." 15 0 0 10;
    Unannounced "unannounced" Place Low false
        "It is seen and watched; only its name is missing."
        "Something is on the track that no train explains."
        "It has no name and nobody expects it."
        "Name it, or lift it off." 300 0 0 300;
    PowerLost "power-lost" Feed High false
        "All trains of the district stand, and a short circuit heats what it touches."
        "The power of several places went at once."
        "Nothing there can be seen; trains stand where they were."
        "Find the short circuit; do not set points until the power is back." 30 0 0 10;
    PowerWhereOff "power-where-off" Place Medium false
        "A track believed dead is not; nothing moves yet."
        "Current flows in a place whose feed is off."
        "A gap is bridged or wires are crossed; a dead track is not dead."
        "Look for a vehicle across the gap, then at the wiring." 120 1000 0 60;
    Short "short" Place High false
        "Heat harms wheels, rails and wiring within seconds."
        "A detector sees more current than any train takes."
        "Wheels and rails burn."
        "Switch the feed off; look for the short circuit." 5 0 0 10;
    FeedLeftOn "feed-left-on" Feed Low false
        "Nothing moves yet."
        "A feed that should be off is on and nothing uses it."
        "A train can start by itself."
        "Switch it off." 600 0 0 600;
    NotAtRest "not-at-rest" Table Low false
        "Nothing is on its way; it has a warning of its own when a train is."
        "A table was not set back after the last train left it."
        "The next train finds no track."
        "Set it back." 300 0 0 300;
    DetectorFault "detector-fault" DetectorOrNode Low false
        "What it watches is shown as unknown, never as vacant."
        "A detector or its device cannot be believed."
        "Places it watches are unknown or wrong."
        "Look at its power, its wiring, its lens." 600 0 0 300;
    BrokerLost "broker-lost" Broker High false
        "Everything shown is old, and nothing new is warned of."
        "The message broker does not answer."
        "Nothing that is shown is live."
        "Look before you move; restart the broker." 30 0 0 10;
    JournalBehind "journal-behind" Journal Low false
        "It endangers what is remembered, not what runs."
        "The journal's disk is full, broken or too slow."
        "A power cut now would forget where trains stand."
        "Make room on the disk, or look at the card; note where trains stand." 600 0 5000 300;
}

impl AlarmKind {
    /// The word in ids and JSON.
    #[must_use]
    pub const fn word(self) -> &'static str {
        self.doc().word
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A row that says nothing would be shown as one that does.
    #[test]
    fn every_type_is_documented_whole() {
        for kind in AlarmKind::ALL {
            let doc = kind.doc();
            for text in [doc.priority_reason, doc.cause, doc.consequence, doc.to_do] {
                assert!(
                    text.len() > 5 && text.ends_with('.'),
                    "{}: {text}",
                    doc.word
                );
            }
            assert!(doc.respond_within_s > 0, "{}", doc.word);
            assert!(doc.re_alarm_limit_s > 0, "{}", doc.word);
            // What must be answered within seconds is not kept quiet for longer than that.
            if doc.priority == Priority::High {
                assert!(doc.re_alarm_limit_s <= 10, "{}", doc.word);
            }
        }
    }

    #[test]
    fn words_are_unique() {
        let mut words: alloc::vec::Vec<&str> = AlarmKind::ALL.iter().map(|k| k.word()).collect();
        words.sort_unstable();
        words.dedup();
        assert_eq!(words.len(), AlarmKind::ALL.len());
    }
}
