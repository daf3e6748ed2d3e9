//! Dense numbers for the items of a layout, made by the plan's resolver and by nobody else.
//!
//! Items of each kind are sorted by their written id, so that 'by number' is 'by id'.

macro_rules! id {
    ($(#[$doc:meta] $name:ident),* $(,)?) => {$(
        #[$doc]
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
        pub struct $name(pub u32);

        impl $name {
            /// The position in the layout's list of its kind.
            #[must_use]
            pub const fn index(self) -> usize {
                self.0 as usize
            }
        }
    )*};
}

id! {
    /// A block, or a table's bridge.
    BlockId,
    /// A turnout.
    TurnoutId,
    /// A crossover: two turnouts joined by their reverse ends.
    CrossoverId,
    /// A crossing of two tracks that do not join.
    CrossingId,
    /// A turntable, transfer table or lift-out bridge.
    TableId,
    /// A switched power supply.
    FeedId,
    /// A detector.
    DetectorId,
    /// A device that carries detectors.
    NodeId,
    /// Another daemon, whose track begins where ours ends.
    PeerId,
    /// Wherever a train can be known to be: a block, a bridge, or points with detectors.
    PlaceId,
    /// A train; the number is never used again for another.
    TrainId,
}
