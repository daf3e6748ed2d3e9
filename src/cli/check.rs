//! `taillamp check`: validates a plan and prints every finding.
//!
//! To what the plan says about itself comes what setting out says: whether a threshold sees one
//! equipped car. Text goes to standard output, one finding after the other and a last line that
//! counts them; with `--json` one object. Exit: fine also with warnings; what cannot be used is
//! wrong input.

use std::fmt::Write as _;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use toml_edit::{Document, Item, TableLike, Value};

use super::Exit;
use crate::engine::layout::{Decide, Detector, DetectorKind, Equipped, Watches};
use crate::plan::{self, Finding, Level, Plan};
use crate::setting_out::wheelsets::{blind_to_one_car, budget};

/// The largest file that is read, in bytes: `plan::load` refuses less than that with a place.
const FILE_BYTES_MAX: u64 = 64 * 1024 * 1024;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// Print {"findings": [...]} instead of text
    #[arg(long)]
    json: bool,
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    let file = args.plan.display().to_string();
    let findings = match read(&args.plan) {
        Ok(text) => findings(&text, &file),
        Err(finding) if args.json => vec![*finding],
        Err(finding) => {
            complain!("{file}: {}; {}", finding.message, finding.cure);
            return Exit::Input;
        }
    };
    let wrong = findings.iter().any(|finding| finding.level == Level::Error);
    let output = if args.json {
        as_json(&findings)
    } else {
        as_text(&findings, &file)
    };
    // Nobody reads any more: that is not a fault of the plan.
    let _ = io::stdout().write_all(output.as_bytes());
    if wrong { Exit::Input } else { Exit::Fine }
}

/// What the plan says about itself, and what setting out says about a plan that can be used.
fn findings(text: &str, file: &str) -> Vec<Finding> {
    let (plan, mut findings) = plan::load(text, file);
    if let Some(plan) = plan {
        findings.extend(blind(&plan, text, file));
        findings.sort_by_key(|finding| (finding.line, finding.column));
    }
    findings
}

/// Detectors whose threshold one equipped car does not reach: it would stand there unseen.
fn blind(plan: &Plan, text: &str, file: &str) -> Vec<Finding> {
    let wheelsets = plan.wheelsets;
    let detectors = plan.layout.detectors.iter().filter(|detector| {
        plan.layout.equipped != Equipped::None
            && detector.kind == DetectorKind::Current
            && detector.watches == Watches::Whole
    });
    let mut found = Vec::new();
    for detector in detectors {
        let Some((threshold_ma, key)) = threshold_ma(detector) else {
            continue;
        };
        let (code, message, cure) =
            match budget(wheelsets.track_volts, wheelsets.ohms, threshold_ma) {
                Ok(budget) => match blind_to_one_car(&budget, wheelsets.per_car) {
                    Some(words) => (
                        "blind-to-one-car",
                        format!("`{}` needs {threshold_ma} mA: {words}", detector.id),
                        "lower the threshold (`taillamp calibrate`), use wheelsets with less \
                         resistance and say so in `[trains] wheelset_ohms`, or add a beam",
                    ),
                    None => continue,
                },
                Err(error) => (
                    "wheelset-range",
                    format!("`{}` was not checked for one car: {error}", detector.id),
                    "mend `wheelset_ohms` or `track_volts` in [trains]",
                ),
            };
        let (line, column) = place_of(text, &detector.id, key);
        found.push(Finding {
            level: Level::Warning,
            file: file.to_owned(),
            line,
            column,
            code,
            message,
            cure: cure.to_owned(),
        });
    }
    found
}

/// What a vehicle must draw to be seen, mA, and the key that says so.
fn threshold_ma(detector: &Detector) -> Option<(f64, &'static str)> {
    match detector.decide {
        Decide::Threshold { on, .. } => Some((on, "on")),
        // Half way between the levels: beyond that the sum for a vehicle grows.
        Decide::Sequential(settings) => Some((
            (settings.occupied_mean - settings.vacant_mean) / 2.0,
            "occupied",
        )),
        Decide::Boolean => None,
    }
}

/// Line and column of a key of one detector's entry.
fn place_of(text: &str, id: &str, key: &str) -> (usize, usize) {
    let Ok(document) = Document::parse(text) else {
        return (1, 1);
    };
    let is_it = |entry: &dyn TableLike| entry.get("id").and_then(Item::as_str) == Some(id);
    let at = |entry: &dyn TableLike| entry.get(key).and_then(Item::span).map(|span| span.start);
    let found = match document.get("detector") {
        Some(Item::ArrayOfTables(tables)) => {
            let mut tables = tables.iter().filter(|table| is_it(*table));
            tables.next().and_then(|table| at(table))
        }
        Some(Item::Value(Value::Array(list))) => {
            let tables = list.iter().filter_map(Value::as_inline_table);
            let mut tables = tables.filter(|table| is_it(*table));
            tables.next().and_then(|table| at(table))
        }
        _ => None,
    };
    plan::place(text, found.unwrap_or(0))
}

/// The plan in a file, for the commands that work on one. Its findings go to standard error.
///
/// # Errors
/// The file cannot be read, or the plan cannot be used; both have been explained.
pub fn plan_of(path: &Path) -> Result<Plan, Exit> {
    let file = path.display().to_string();
    let text = read(path).map_err(|finding| {
        complain!("{file}: {}; {}", finding.message, finding.cure);
        Exit::Input
    })?;
    let (plan, findings) = plan::load(&text, &file);
    for finding in &findings {
        complain!("{finding}");
    }
    plan.ok_or(Exit::Input)
}

/// The file's text, or the finding that says why there is none.
///
/// # Errors
/// The file is not there, cannot be read, is too large or is not UTF-8.
fn read(path: &Path) -> Result<String, Box<Finding>> {
    let finding = |code, message: String, cure: &str| {
        Box::new(Finding {
            level: Level::Error,
            file: path.display().to_string(),
            line: 1,
            column: 1,
            code,
            message,
            cure: cure.to_owned(),
        })
    };
    let metadata = std::fs::metadata(path).map_err(|error| {
        let message = format!("the plan cannot be read: {error}");
        finding(
            "no-file",
            message,
            "name the plan with --plan FILE; `taillamp init` writes one",
        )
    })?;
    if metadata.len() > FILE_BYTES_MAX {
        let message = format!("the file has {} bytes", metadata.len());
        return Err(finding("too-long", message, "name a plan file"));
    }
    let bytes = std::fs::read(path).map_err(|error| {
        let message = format!("the plan cannot be read: {error}");
        finding("no-file", message, "name a file that may be read")
    })?;
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let message = format!("the file is not UTF-8 text, from byte {at} on");
        finding("not-text", message, "save it as UTF-8")
    })
}

fn as_json(findings: &[Finding]) -> String {
    let findings: Vec<_> = findings.iter().map(Finding::to_json).collect();
    format!("{}\n", serde_json::json!({ "findings": findings }))
}

fn as_text(findings: &[Finding], file: &str) -> String {
    let mut text = String::new();
    for finding in findings {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{finding}");
    }
    let count = |level| {
        findings
            .iter()
            .filter(|finding| finding.level == level)
            .count()
    };
    let (errors, warnings) = (count(Level::Error), count(Level::Warning));
    let plural = |count: usize| if count == 1 { "" } else { "s" };
    let _ = match (errors, warnings) {
        (0, 0) => writeln!(text, "{file}: fine"),
        (0, _) => writeln!(
            text,
            "{file}: usable, with {warnings} warning{}",
            plural(warnings)
        ),
        _ => writeln!(
            text,
            "{file}: {errors} error{}, {warnings} warning{}",
            plural(errors),
            plural(warnings)
        ),
    };
    text
}
