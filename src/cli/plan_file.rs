//! The plan that a command works with: read, checked by the same code as `check`, or its findings
//! on standard error.

use std::path::Path;

use super::Exit;
use crate::plan::{self, Level, Plan};

/// The longest plan that is read; `plan::load` refuses less than that with a place.
const FILE_BYTES_MAX: u64 = 64 * 1_024 * 1_024;

/// Reads a plan. Warnings are printed and keep nobody from going on.
///
/// # Errors
/// How to end, when the plan cannot be used; why was printed.
pub(super) fn load(file: &Path) -> Result<Plan, Exit> {
    let name = file.display().to_string();
    let text = read(file).map_err(|error| {
        eprintln!("{name}: the plan cannot be read: {error}; name one with --plan FILE");
        Exit::Input
    })?;
    let (plan, findings) = plan::load(&text, &name);
    for finding in &findings {
        eprintln!("{finding}");
    }
    plan.ok_or_else(|| {
        let errors = findings
            .iter()
            .filter(|finding| finding.level == Level::Error)
            .count();
        eprintln!("{name}: {errors} errors; nothing was started");
        Exit::Input
    })
}

fn read(file: &Path) -> std::io::Result<String> {
    if std::fs::metadata(file)?.len() > FILE_BYTES_MAX {
        return Err(std::io::Error::other("it is too long for a plan"));
    }
    std::fs::read_to_string(file)
}
