//! The sections about other daemons that have a part of the layout.

use super::{Tables, sections};
use crate::plan::value::{End, Id, Positive, Seconds, Text, Topic};

sections! {
    /// Another daemon on the same broker, whose track begins where ours ends.
    PeerDoc "[[peer]]" {
        /// Its id, unique in the file; at a broker with passwords also its user.
        id: Id; required,
        /// Shown to people; the id where it is not given.
        name: Text,
        /// The `topic_prefix` of its plan.
        prefix: Topic; required,
        /// How long it may be silent before its side is unknown, in seconds.
        silent_s: Seconds = 10,
        /// Where its track meets ours.
        borders: Tables<BorderDoc>; required,
    }

    /// A place where the track of a peer meets ours.
    BorderDoc "[[peer.borders]]" {
        /// The end of our block.
        here: End; required,
        /// The end of the peer's block, as its plan calls it.
        there: End; required,
        /// The id of the peer's block in our layout; PEER-BLOCK where it is not given.
        id: Id,
        /// Shown to people.
        name: Text,
        /// The length of the peer's block between its ends, in mm.
        length_mm: Positive,
    }
}
