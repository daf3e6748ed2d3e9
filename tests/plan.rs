//! The plan file from outside: every good plan loads, every bad plan gives the findings beside it.

use std::path::{Path, PathBuf};

use taillamp::plan::{self, Level, Plan};

#[path = "plan/command.rs"]
mod command;
#[path = "plan/expansions.rs"]
mod expansions;
#[path = "plan/garbage.rs"]
mod garbage;

/// The plans in `tests/plans` whose names end so, sorted.
fn plans(ending: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/plans");
    let entries = std::fs::read_dir(folder).expect("the folder is part of the project");
    let mut plans: Vec<PathBuf> = entries
        .map(|entry| entry.expect("its entries can be listed").path())
        .filter(|path| path.to_string_lossy().ends_with(ending))
        .collect();
    plans.sort();
    assert!(!plans.is_empty(), "no plan ends in {ending}");
    plans
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// A good plan by its name.
fn good(name: &str) -> Plan {
    let mut plans = every_good_plan();
    let found = plans
        .iter()
        .position(|(found, _)| *found == format!("{name}.good.toml"));
    plans
        .swap_remove(found.unwrap_or_else(|| panic!("there is no plan {name}")))
        .1
}

/// All good plans with their files' names.
fn every_good_plan() -> Vec<(String, Plan)> {
    let load = |path: PathBuf| {
        let name = path
            .file_name()
            .map(|name| name.to_string_lossy().into_owned());
        let name = name.unwrap_or_default();
        let (plan, findings) = plan::load(&read(&path), &name);
        (name, plan.unwrap_or_else(|| panic!("{findings:?}")))
    };
    plans(".good.toml").into_iter().map(load).collect()
}

/// The findings of a plan as `check` prints them, under the file's own name.
fn findings(path: &Path) -> (bool, String) {
    let name = path
        .file_name()
        .map(|name| name.to_string_lossy().into_owned());
    let (plan, findings) = plan::load(&read(path), &name.unwrap_or_default());
    let wrong = findings.iter().any(|finding| finding.level == Level::Error);
    assert_eq!(
        plan.is_none(),
        wrong,
        "{}: a plan exactly where nothing is wrong",
        path.display()
    );
    let text: Vec<String> = findings
        .iter()
        .map(|finding| format!("{finding}\n"))
        .collect();
    (wrong, text.concat())
}

#[test]
fn good_plans_load_without_a_finding() {
    for path in plans(".good.toml") {
        let (_, text) = findings(&path);
        assert_eq!(text, "", "{}", path.display());
    }
}

#[test]
fn bad_plans_give_the_findings_beside_them() {
    let bless = std::env::var_os("TAILLAMP_BLESS").is_some();
    for path in plans(".bad.toml") {
        let (wrong, text) = findings(&path);
        let warns = path.to_string_lossy().ends_with(".warn.bad.toml");
        assert_eq!(wrong, !warns, "{}:\n{text}", path.display());
        let expected = path.with_extension("expected");
        if bless {
            std::fs::write(&expected, &text).expect("the folder can be written");
        }
        assert_eq!(text, read(&expected), "{}", path.display());
    }
}
