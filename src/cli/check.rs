//! `taillamp check`: validates a plan and prints every finding.
//!
//! Text goes to standard output, one finding after the other and a last line that counts them; with
//! `--json` one object. Exit: fine also with warnings; what cannot be used is wrong input.

use std::fmt::Write as _;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use super::Exit;
use crate::plan::{self, Finding, Level, Plan};

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
        Ok(text) => plan::load(&text, &file).1,
        Err(finding) if args.json => vec![*finding],
        Err(finding) => {
            eprintln!("{file}: {}; {}", finding.message, finding.cure);
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

/// The plan in a file, for the commands that work on one. Its findings go to standard error.
///
/// # Errors
/// The file cannot be read, or the plan cannot be used; both have been explained.
pub fn plan_of(path: &Path) -> Result<Plan, Exit> {
    let file = path.display().to_string();
    let text = read(path).map_err(|finding| {
        eprintln!("{file}: {}; {}", finding.message, finding.cure);
        Exit::Input
    })?;
    let (plan, findings) = plan::load(&text, &file);
    for finding in &findings {
        eprintln!("{finding}");
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
