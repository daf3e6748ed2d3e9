//! Puts calibrated numbers into a plan file and leaves everything else as it is written.
//!
//! Inputs: the plan's text and what was found for some detectors. Output: the new text; or, with
//! [`write_file`], the file, exchanged in one step so that a power cut leaves the old or the new
//! one.

use std::io::Write as _;
use std::path::Path;

use toml_edit::{DocumentMut, InlineTable, Item, TableLike, Value};

use crate::plan::{self, Level};
use crate::setting_out::proposal::Proposal;

/// What goes into one detector's entry.
pub struct Found<'a> {
    pub detector: &'a str,
    pub sequential: bool,
    pub proposal: &'a Proposal,
}

/// The plan's text with the numbers in.
///
/// # Errors
/// In one line: an entry that is not there, or a plan that would no longer do.
pub fn edited(text: &str, file: &str, found: &[Found<'_>]) -> Result<String, String> {
    let mut document: DocumentMut = text
        .parse()
        .map_err(|error| format!("{file}: {error}").replace('\n', " "))?;
    for one in found {
        let entry = entry(&mut document, one.detector)
            .ok_or_else(|| format!("{file}: there is no [[detector]] `{}`", one.detector))?;
        put(entry, one);
    }
    let text = document.to_string();
    let (_, findings) = plan::load(&text, file);
    match findings
        .iter()
        .find(|finding| finding.level == Level::Error)
    {
        Some(finding) => Err(format!(
            "{file} was not changed, for it would no longer do: {}; {}",
            finding.message, finding.cure
        )),
        None => Ok(text),
    }
}

/// The detector's own table, however it is written.
fn entry<'d>(document: &'d mut DocumentMut, id: &str) -> Option<&'d mut dyn TableLike> {
    let is_it = |entry: &dyn TableLike| entry.get("id").and_then(Item::as_str) == Some(id);
    match document.get_mut("detector")? {
        Item::ArrayOfTables(tables) => tables
            .iter_mut()
            .find(|table| is_it(*table))
            .map(|table| table as &mut dyn TableLike),
        Item::Value(Value::Array(list)) => list
            .iter_mut()
            .filter_map(Value::as_inline_table_mut)
            .find(|table| is_it(*table))
            .map(|table| table as &mut dyn TableLike),
        Item::None | Item::Value(_) | Item::Table(_) => None,
    }
}

fn put(entry: &mut dyn TableLike, found: &Found<'_>) {
    let proposal = found.proposal;
    if !found.sequential {
        set(entry, "on", proposal.on);
        set(entry, "off", proposal.off);
        return;
    }
    if entry.get("decide").and_then(Item::as_str) != Some("sequential") {
        entry.insert("decide", Item::Value("sequential".into()));
    }
    let settings = &proposal.settings;
    for (key, mean, sd) in [
        ("vacant", settings.vacant_mean, settings.vacant_sd),
        ("occupied", settings.occupied_mean, settings.occupied_sd),
    ] {
        if let Some(level) = entry.get_mut(key).and_then(Item::as_table_like_mut) {
            set(level, "mean", shortened(mean));
            set(level, "sd", shortened(sd));
        } else {
            let mut level = InlineTable::new();
            level.insert("mean", shortened(mean).into());
            level.insert("sd", shortened(sd).into());
            entry.insert(key, Item::Value(Value::InlineTable(level)));
        }
    }
    set(entry, "sample_hz", shortened(settings.sample_hz));
}

/// Exchanges the number and keeps what is written around it.
fn set(entry: &mut dyn TableLike, key: &str, number: f64) {
    let mut new = Value::from(number);
    if let Some(Item::Value(old)) = entry.get_mut(key) {
        *new.decor_mut() = old.decor().clone();
        *old = new;
    } else {
        entry.insert(key, Item::Value(new));
    }
}

/// Four digits: more are chance.
fn shortened(number: f64) -> f64 {
    format!("{number:.3e}").parse().unwrap_or(number)
}

/// Exchanges the file.
///
/// # Errors
/// In one line: it cannot be written.
pub fn write_file(path: &Path, text: &str) -> Result<(), String> {
    let fails = |error: std::io::Error| format!("{}: cannot be written: {error}", path.display());
    // Where the name is a link, what it points to is exchanged.
    let path = path.canonicalize().map_err(fails)?;
    let mut fresh = path.clone().into_os_string();
    fresh.push(".new");
    let write = || {
        let mut file = std::fs::File::create(&fresh)?;
        file.set_permissions(std::fs::metadata(&path)?.permissions())?;
        file.write_all(text.as_bytes())?;
        file.sync_all()?;
        std::fs::rename(&fresh, &path)
    };
    write().map_err(|error| {
        // What is half written is of no use to anybody.
        let _ = std::fs::remove_file(&fresh);
        fails(error)
    })
}
