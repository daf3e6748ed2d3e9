//! What daemons that share a layout say to each other: `P/borders`, JSON, not retained.
//!
//! Inputs: our word, or a peer's as text. Outputs: JSON text, or an engine input with reasons for
//! what was refused. A peer's block that its word does not name, or gives a state that is neither
//! occupied nor vacant, cannot tell. It does not know which word came before.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::words::Worded;
use crate::engine::change::Occupancy;
use crate::engine::ids::PeerId;
use crate::engine::input::{Input, PeerBlock, PeerTrain, PeerWord};
use crate::engine::layout::Layout;
use crate::engine::snapshot::BorderWord;

/// More trains than any club has.
const TRAINS_MAX: usize = 2_000;
/// The longest name of a run, of a train's identity and of a train, in bytes.
const NAME_BYTES_MAX: usize = 400;

#[derive(Serialize, Deserialize)]
struct Written {
    run: String,
    number: u64,
    #[serde(default)]
    heard: BTreeMap<String, WordNumber>,
    #[serde(default)]
    blocks: BTreeMap<String, Block>,
    #[serde(default)]
    trains: BTreeMap<String, Train>,
}

#[derive(Serialize, Deserialize)]
struct WordNumber {
    run: String,
    number: u64,
}

#[derive(Serialize, Deserialize)]
struct Block {
    state: String,
    #[serde(default)]
    trains: Vec<String>,
}

#[derive(Serialize, Deserialize)]
struct Train {
    #[serde(default)]
    name: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    was: Option<String>,
    #[serde(default)]
    seen: bool,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    gone_to: Option<String>,
    #[serde(default, skip_serializing_if = "is_false")]
    seeks: bool,
    #[serde(default, skip_serializing_if = "is_false")]
    astray: bool,
    #[serde(default, skip_serializing_if = "is_false")]
    unexplained: bool,
}

// The shape that serde asks for.
#[allow(clippy::trivially_copy_pass_by_ref)]
const fn is_false(flag: &bool) -> bool {
    !*flag
}

/// Our word as JSON text.
#[must_use]
pub fn borders_json(word: &BorderWord) -> String {
    let heard = word.heard.iter().map(|(prefix, run, number)| {
        let (run, number) = (run.clone(), *number);
        (prefix.clone(), WordNumber { run, number })
    });
    let blocks = word.blocks.iter().map(|(id, state, trains)| {
        let (state, trains) = (Worded::word(*state).to_owned(), trains.clone());
        (id.clone(), Block { state, trains })
    });
    let trains = word.trains.iter().map(|train| {
        let written = Train {
            name: train.name.clone(),
            was: train.was.clone(),
            seen: train.seen,
            gone_to: train.gone_to.clone(),
            seeks: train.seeks,
            astray: train.astray,
            unexplained: train.unexplained,
        };
        (train.identity.clone(), written)
    });
    let written = Written {
        run: word.run.clone(),
        number: word.number,
        heard: heard.collect(),
        blocks: blocks.collect(),
        trains: trains.collect(),
    };
    // Maps with text keys and plain values always serialize; were it not so, nothing is said.
    serde_json::to_string(&written).unwrap_or_default()
}

/// Reads a peer's word.
///
/// # Errors
/// It is not of this shape, or longer than any club needs.
pub(super) fn read(
    peer: PeerId,
    layout: &Layout,
    text: &str,
    retained: bool,
) -> Result<Input, String> {
    let mut written: Written =
        serde_json::from_str(text).map_err(|error| format!("no word of a daemon: {error}"))?;
    let names = written.trains.iter().flat_map(|(identity, train)| {
        let others = [&train.name, &train.was, &train.gone_to];
        let others = others.into_iter().flatten().map(String::as_str);
        others.chain([identity.as_str()])
    });
    let long = |name: &str| name.len() > NAME_BYTES_MAX;
    if written.trains.len() > TRAINS_MAX || written.run.is_empty() || long(&written.run) {
        return Err("no word of a daemon: no run, or too many trains".to_owned());
    }
    if names.into_iter().any(long) {
        return Err(format!(
            "a name is longer than {NAME_BYTES_MAX} bytes in a daemon's word"
        ));
    }
    let heard = written.heard.remove(&layout.prefix);
    let borders = layout.peers.get(peer.index()).map(|peer| &peer.borders);
    let blocks = borders.into_iter().flatten().map(|border| {
        let block = written.blocks.get(&border.there);
        let state = block.and_then(|block| Occupancy::from_word(&block.state));
        let occupied = match state {
            Some(Occupancy::Occupied) => Some(true),
            Some(Occupancy::Vacant) => Some(false),
            Some(Occupancy::Unknown | Occupancy::Dark | Occupancy::Lost) | None => None,
        };
        let trains = block.map(|block| block.trains.clone()).unwrap_or_default();
        PeerBlock {
            place: border.place,
            occupied,
            trains,
        }
    });
    let blocks = blocks.collect();
    let trains = written
        .trains
        .into_iter()
        .map(|(identity, train)| PeerTrain {
            identity,
            was: train.was,
            name: train.name,
            seen: train.seen,
            gone_to: train.gone_to,
            seeks: train.seeks,
            astray: train.astray,
            unexplained: train.unexplained,
        });
    Ok(Input::Peer(Box::new(PeerWord {
        peer,
        run: written.run,
        number: written.number,
        heard: heard.map(|heard| (heard.run, heard.number)),
        blocks,
        trains: trains.collect(),
        retained,
    })))
}
