//! Peers: other daemons, and what of their track is a place of our layout.
//!
//! A border stands for a block, a join, a detector and a device, which are made here as if the plan
//! had written them; so whatever is checked or decided about such items holds for these.

use std::collections::BTreeSet;

use super::{Context, value};
use crate::engine::ids::{BlockId, DetectorId, NodeId, PeerId};
use crate::engine::layout::{Border, DetectorKind, Layout, Peer, Watches};
use crate::engine::time::Span;
use crate::plan::document::devices::{DetectorDoc, NodeDoc};
use crate::plan::document::peers::{BorderDoc, PeerDoc};
use crate::plan::document::track::{BlockDoc, JoinDoc};
use crate::plan::document::{PlanDoc, Section};
use crate::plan::names::{Names, Sort, each};
use crate::plan::report::Report;
use crate::plan::value::{EndRef, ID_CHARS_MAX, Part, Spanned};

/// What a detector's id ends in that stands for a peer's word about a block.
const WORD: &str = "-word";

/// A daemon gives its word every two seconds; two may go astray.
const SILENT_MIN: Span = Span::from_secs(5);

/// Adds what borders stand for to the plan as written.
pub fn expand(plan: &mut PlanDoc, prefix: &str, report: &mut Report) {
    let names = Names::collect(plan, &mut Report::default());
    if let Some(peers) = &mut plan.peer {
        part_prefixes(&mut peers.value, prefix, report);
    }
    let peers: Vec<PeerDoc> = each(&plan.peer).cloned().collect();
    for peer in &peers {
        let Some(id) = &peer.id else { continue };
        let at = id.at;
        if let Some(silent) = &peer.silent_s
            && silent.value < SILENT_MIN
        {
            let message = "a peer gives its word every 2 s, and one may go astray";
            let cure = "make `silent_s` 5 or more";
            report.error(silent.at, "silent-short", message, cure);
        }
        if !is_sound(peer, id, &names, report) {
            continue;
        }
        let mut made: BTreeSet<String> = BTreeSet::new();
        for border in each(&peer.borders) {
            let Some(block) = block_id(id, border, report) else {
                continue;
            };
            let (Some(here), Some(there)) = (&border.here, &border.there) else {
                continue;
            };
            if made.insert(block.value.clone()) {
                list(&mut plan.block, at).push(block_doc(peer, border, &block));
                list(&mut plan.detector, at).push(detector_doc(peer, id, &block));
            }
            list(&mut plan.join, at).push(join_doc(here, there, &block));
        }
        list(&mut plan.node, at).push(NodeDoc {
            id: Some(id.clone()),
            name: peer.name.clone(),
            topic: topic(peer, "status"),
            ..NodeDoc::absent()
        });
    }
}

fn list<S>(items: &mut Option<Spanned<Vec<S>>>, at: usize) -> &mut Vec<S> {
    let empty = || Spanned {
        value: Vec::new(),
        at,
        given: false,
    };
    &mut items.get_or_insert_with(empty).value
}

/// Whether its id is free, and it has a border.
fn is_sound(peer: &PeerDoc, id: &Spanned<String>, names: &Names, report: &mut Report) -> bool {
    if let Some(first) = names.sort(&id.value) {
        let message = format!(
            "the id `{}` is already that of a {}",
            id.value,
            first.word()
        );
        let cure = "give one of them another id: ids are unique over the whole file";
        report.error(id.at, "id-twice", message, cure);
        return false;
    }
    // One that is not there at all has been reported already.
    if let Some(borders) = &peer.borders
        && borders.value.is_empty()
    {
        let message = format!("the peer `{}` has no border", id.value);
        let cure = "name the ends that meet: borders = [{ here = \"...\", there = \"...\" }]";
        report.error(borders.at, "no-border", message, cure);
        return false;
    }
    true
}

/// Takes a prefix away that another daemon has: its topics would only say the same once more.
fn part_prefixes(peers: &mut [PeerDoc], ours: &str, report: &mut Report) {
    let mut seen: BTreeSet<String> = BTreeSet::new();
    for peer in peers {
        let Some(theirs) = &peer.prefix else { continue };
        let message = if theirs.value == ours {
            format!("`{ours}` is the `topic_prefix` of this plan")
        } else if !seen.insert(theirs.value.clone()) {
            format!("two peers have the prefix `{}`", theirs.value)
        } else {
            continue;
        };
        let cure = "each daemon on a broker has a `topic_prefix` of its own";
        report.error(theirs.at, "prefix-twice", message, cure);
        peer.prefix = None;
    }
}

/// The id of the peer's block in our layout; what is wrong with the ends is reported.
fn block_id(
    peer: &Spanned<String>,
    border: &BorderDoc,
    report: &mut Report,
) -> Option<Spanned<String>> {
    let mut sound = true;
    for end in [&border.here, &border.there].into_iter().flatten() {
        if !matches!(end.value.part, Part::Side(_)) {
            sound = false;
            let message = format!("`{}`: a border lies between two blocks", end.value.text);
            let cure = "name the end of a block, with a detector of its own, on each side";
            report.error(end.at, "bad-border", message, cure);
        }
    }
    let there = border.there.as_ref()?;
    let (id, at) = match &border.id {
        Some(id) => (id.value.clone(), id.at),
        None => (format!("{}-{}", peer.value, there.value.id), there.at),
    };
    let most = ID_CHARS_MAX - WORD.len();
    if id.len() > most {
        let message = format!("`{id}`, which the peer's block is called here, is too long");
        let cure = format!("give the border an `id` of at most {most} characters");
        report.error(at, "bad-id", message, cure);
        return None;
    }
    sound.then_some(Spanned {
        value: id,
        at,
        given: true,
    })
}

fn shown(peer: &PeerDoc, border: &BorderDoc) -> Option<Spanned<String>> {
    let there = border.there.as_ref()?;
    let of = peer.name.as_ref().or(peer.id.as_ref())?;
    let name = format!("{} of {}", there.value.id, of.value);
    border.name.clone().or(Some(Spanned {
        value: name,
        at: there.at,
        given: true,
    }))
}

fn block_doc(peer: &PeerDoc, border: &BorderDoc, id: &Spanned<String>) -> BlockDoc {
    BlockDoc {
        at: id.at,
        id: Some(id.clone()),
        name: shown(peer, border),
        length_mm: border.length_mm.clone(),
        // What the peer says has had its release time there.
        release_s: Some(Spanned {
            value: Span::ZERO,
            at: id.at,
            given: true,
        }),
        ..BlockDoc::absent()
    }
}

fn join_doc(here: &Spanned<EndRef>, there: &Spanned<EndRef>, block: &Spanned<String>) -> JoinDoc {
    let side = there.value.text.rsplit('.').next().unwrap_or("a");
    let end = EndRef {
        id: block.value.clone(),
        part: there.value.part,
        text: format!("{}.{side}", block.value),
    };
    let there = Spanned {
        value: end,
        at: there.at,
        given: true,
    };
    JoinDoc {
        at: here.at,
        ends: Some(Spanned {
            value: [here.clone(), there],
            at: here.at,
            given: true,
        }),
        ..JoinDoc::absent()
    }
}

fn detector_doc(peer: &PeerDoc, node: &Spanned<String>, block: &Spanned<String>) -> DetectorDoc {
    let given = |value: String| {
        Some(Spanned {
            value,
            at: block.at,
            given: true,
        })
    };
    let of = peer.name.as_ref().unwrap_or(node);
    DetectorDoc {
        at: block.at,
        id: given(format!("{}{WORD}", block.value)),
        name: given(format!("what {} says of {}", of.value, block.value)),
        kind: Some(Spanned {
            value: DetectorKind::Contact,
            at: block.at,
            given: true,
        }),
        block: given(block.value.clone()),
        watches: Some(Spanned {
            value: Watches::Whole,
            at: block.at,
            given: true,
        }),
        max_silence_s: peer.silent_s.clone(),
        node: Some(node.clone()),
        ..DetectorDoc::absent()
    }
}

fn topic(peer: &PeerDoc, below: &str) -> Option<Spanned<String>> {
    peer.prefix.as_ref().map(|prefix| Spanned {
        value: format!("{}/{below}", prefix.value),
        at: prefix.at,
        given: true,
    })
}

/// The ids of the detectors that stand for peers' words: no message of their own speaks for them.
#[must_use]
pub fn words(plan: &PlanDoc) -> BTreeSet<String> {
    let borders = each(&plan.peer).flat_map(|peer| {
        let id = peer.id.as_ref();
        each(&peer.borders).filter_map(move |border| written_id(id?, border))
    });
    borders.map(|id| format!("{id}{WORD}")).collect()
}

fn written_id(peer: &Spanned<String>, border: &BorderDoc) -> Option<String> {
    let made = || {
        Some(format!(
            "{}-{}",
            peer.value,
            border.there.as_ref()?.value.id
        ))
    };
    value(&border.id).or_else(made)
}

/// Makes the peers, after everything that they stand for.
pub fn resolve(context: &Context<'_>, layout: &mut Layout) {
    layout.prefix.clone_from(&context.prefix);
    for doc in each(&context.plan.peer) {
        let number = PeerId(u32::try_from(layout.peers.len()).unwrap_or(u32::MAX));
        if let Some(peer) = peer(context.names, doc) {
            for border in &peer.borders {
                if let Some(block) = layout.blocks.get_mut(border.place.index()) {
                    block.beyond = Some(number);
                }
            }
            layout.peers.push(peer);
        }
    }
}

fn peer(names: &Names, doc: &PeerDoc) -> Option<Peer> {
    let id = doc.id.as_ref()?;
    let border = |border: &BorderDoc| {
        let block = written_id(id, border)?;
        Some(Border {
            here: names
                .get(&border.here.as_ref()?.value.id, Sort::Block)
                .map(BlockId)?,
            there: border.there.as_ref()?.value.id.clone(),
            word: names
                .get(&format!("{block}{WORD}"), Sort::Detector)
                .map(DetectorId)?,
            place: names.get(&block, Sort::Block).map(BlockId)?,
        })
    };
    Some(Peer {
        node: names.get(&id.value, Sort::Node).map(NodeId)?,
        prefix: value(&doc.prefix)?,
        borders: each(&doc.borders).filter_map(border).collect(),
        id: id.value.clone(),
    })
}
