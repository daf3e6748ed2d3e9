//! The sentences: causes and warnings, in one place, in the words of people.
//!
//! Formatted once per change, never per sample.

use alloc::format;
use alloc::string::String;

use crate::alarm::kinds::AlarmKind;
use crate::change::Occupancy;
use crate::layout::{Decide, Detector};
use crate::time::Span;

/// A reading with one decimal, as `why` shows it.
fn reading(detector: &Detector, value: f64) -> String {
    let rounded = libm::round(value * 10.0) / 10.0;
    format!("{rounded} {}", detector.unit)
}

pub(crate) fn detector_on(detector: &Detector, value: Option<f64>) -> String {
    match (value, detector.decide) {
        (Some(value), Decide::Threshold { on, .. }) => {
            format!("{} {}, on at {on}", detector.id, reading(detector, value))
        }
        (Some(value), Decide::Boolean | Decide::Sequential(_)) => {
            format!("{} {}", detector.id, reading(detector, value))
        }
        (None, _) => format!("{} on", detector.id),
    }
}

fn seconds(span: Span) -> String {
    let tenths = libm::round(span.as_secs_f64() * 10.0) / 10.0;
    format!("{tenths} s")
}

pub(crate) fn off_for(what: &str, span: Span) -> String {
    format!("{what}, off for {}", seconds(span))
}

pub(crate) fn dark(feed: &str, failed: bool) -> String {
    if failed {
        format!("{feed} has failed")
    } else {
        format!("{feed} is off")
    }
}

pub(crate) fn cannot_tell(detector: &str) -> String {
    format!("{detector} cannot tell")
}

pub(crate) fn not_heard_yet(detector: &str) -> String {
    format!("{detector} was not heard yet")
}

pub(crate) const fn occupancy(state: Occupancy) -> &'static str {
    match state {
        Occupancy::Unknown => "unknown",
        Occupancy::Vacant => "vacant",
        Occupancy::Occupied => "occupied",
        Occupancy::Dark => "dark",
        Occupancy::Lost => "lost",
    }
}

pub(crate) fn covered(place: &str, state: Occupancy) -> String {
    format!("{place} is {}", occupancy(state))
}

/// What people call a turnout: 'Points 7'.
pub(crate) fn points(name: &str) -> String {
    if name.to_lowercase().starts_with("points") {
        String::from(name)
    } else {
        format!("Points {name}")
    }
}

pub(crate) fn power_where_off(place: &str) -> String {
    format!("{place}: current flows although the feed is off")
}

pub(crate) fn train_lost(place: &str) -> String {
    format!("{place}: a train was here and was not seen to leave")
}

pub(crate) fn left_diverging(points: &str, proven: bool) -> String {
    if proven {
        format!("{points} left diverging")
    } else {
        format!("{points} left diverging; not proven straight since")
    }
}

pub(crate) fn set_no_train(points: &str) -> String {
    format!("{points} set diverging and no train came")
}

pub(crate) fn no_correspondence(what: &str) -> String {
    format!("{what} not where it was asked to be, or stuck between")
}

pub(crate) fn contradicting_contacts(points: &str) -> String {
    format!("{points}: both contacts say 'here'")
}

pub(crate) fn moved_under_train(what: &str, under: bool) -> String {
    if under {
        format!("{what} moved under a train")
    } else {
        format!("{what} set back before it was proven clear")
    }
}

pub(crate) fn crossover_split(crossover: &str) -> String {
    format!("{crossover}: one end is set and the other is not")
}

pub(crate) fn unannounced(place: &str) -> String {
    format!("{place}: something came that no train explains")
}

pub(crate) fn train_parted(train: &str) -> String {
    format!("{train} has parted")
}

pub(crate) fn power_lost(feed: &str) -> String {
    format!("{feed}: the power has gone")
}

pub(crate) fn short(place: &str) -> String {
    format!("{place}: more current than any train takes")
}

pub(crate) fn feed_left_on(feed: &str) -> String {
    format!("{feed} left on and nothing uses it")
}

pub(crate) fn not_at_rest(table: &str) -> String {
    format!("{table} not set back")
}

pub(crate) fn detector_fault(what: &str, how: &str) -> String {
    format!("{what}: {how}")
}

pub(crate) fn broker_lost() -> String {
    String::from("The message broker does not answer: nothing shown is live")
}

pub(crate) fn journal_behind() -> String {
    String::from("The journal is behind: a power cut now would forget where trains stand")
}

/// A warning about what lies ahead of a train.
pub(crate) fn ahead(kind: AlarmKind, train: &str, at: &str) -> String {
    match kind {
        AlarmKind::BoundForDiverging => format!("{at} left diverging, {train} is coming"),
        AlarmKind::SetAgainst => format!("{at} set against {train}"),
        AlarmKind::OccupiedAhead => format!("{train}: {at} ahead is occupied"),
        AlarmKind::Opposing => format!("{train}: a train comes towards it at {at}"),
        AlarmKind::FouledAhead => format!("{train}: {at} ahead is fouled by another train"),
        AlarmKind::NoRoad => format!("{train}: no road beyond {at}"),
        AlarmKind::DarkAhead => format!("{train}: {at} ahead has no power"),
        AlarmKind::WillNotFit => format!("{train} is too long for {at}"),
        _ => format!("{train}: {at}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Those that no recording in the tests brings up: they name their subject, and say what is so.
    #[test]
    fn rare_alarms_say_what_is_so() {
        assert_eq!(
            set_no_train("Points 7"),
            "Points 7 set diverging and no train came"
        );
        assert_eq!(
            short("Loop West"),
            "Loop West: more current than any train takes"
        );
        assert_eq!(
            feed_left_on("Yard Power"),
            "Yard Power left on and nothing uses it"
        );
        assert_eq!(
            journal_behind(),
            "The journal is behind: a power cut now would forget where trains stand"
        );
    }
}
