//! The plan that a command works with: read, checked by the same code as `check`, or its findings
//! on standard error.

use std::path::Path;

use super::Exit;
use crate::plan::{self, Finding, Level, Plan};

/// The longest plan that is read; `plan::load` refuses less than that with a place.
const FILE_BYTES_MAX: u64 = 64 * 1_024 * 1_024;

/// Reads a plan; its warnings keep nobody from going on and are printed.
///
/// # Errors
/// How to end, when the plan cannot be used; why was printed.
pub(super) fn load(file: &Path) -> Result<Plan, Exit> {
    let (plan, warnings) = load_with_warnings(file)?;
    for warning in warnings {
        complain!("{warning}");
    }
    Ok(plan)
}

/// Reads a plan; the plan with its warnings.
///
/// # Errors
/// How to end, when the plan cannot be used; why was printed.
pub(super) fn load_with_warnings(file: &Path) -> Result<(Plan, Vec<Finding>), Exit> {
    let name = file.display().to_string();
    let text = read(file).map_err(|error| {
        complain!("{name}: the plan cannot be read: {error}; name one with --plan FILE");
        Exit::Input
    })?;
    let (plan, findings) = plan::load(&text, &name);
    if let Some(plan) = plan {
        return Ok((plan, findings));
    }
    for finding in &findings {
        complain!("{finding}");
    }
    let errors = findings
        .iter()
        .filter(|finding| finding.level == Level::Error)
        .count();
    let plural = if errors == 1 { "" } else { "s" };
    complain!("{name}: {errors} error{plural}; nothing was started");
    Err(Exit::Input)
}

fn read(file: &Path) -> std::io::Result<String> {
    if std::fs::metadata(file)?.len() > FILE_BYTES_MAX {
        return Err(std::io::Error::other("it is too long for a plan"));
    }
    std::fs::read_to_string(file)
}
