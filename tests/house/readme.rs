//! What README.md says is what the program does: its plans, its tables, its commands, its cautions.
//!
//! `TAILLAMP_BLESS=1 cargo test --test house` writes the tables that are made from the program.

use std::collections::BTreeSet;
use std::fs;
use std::process::Command;

use taillamp::daemon::metrics::table;
use taillamp::engine::alarm::kinds::AlarmKind;
use taillamp::plan::{self, Level};
use taillamp::wire::alarms_json::subject_word;

use crate::sources::{files, none, read, root};

fn readme() -> String {
    read(&root().join("README.md"))
}

/// The text between `<!-- NAME: ... -->` and the next `<!-- end -->`, made again from the program.
fn compare(name: &str, made: &str) {
    let text = readme();
    let (before, rest) = text
        .split_once(&format!("<!-- {name}:"))
        .unwrap_or_else(|| panic!("README.md has no part `{name}`"));
    let (mark, rest) = rest.split_once("-->\n").expect("the comment ends");
    let (written, after) = rest
        .split_once("<!-- end -->")
        .expect("the part ends with a comment");
    if written == made {
        return;
    }
    if std::env::var_os("TAILLAMP_BLESS").is_some() {
        let text = format!("{before}<!-- {name}:{mark}-->\n{made}<!-- end -->{after}");
        fs::write(root().join("README.md"), text).expect("README.md can be written");
        return;
    }
    panic!("README.md, part `{name}`, is\n{written}\nand should be (TAILLAMP_BLESS=1)\n{made}");
}

/// One test, because both parts are in one file that it may write.
#[test]
fn the_tables_are_those_of_the_program() {
    let mut alarms = String::from(
        "| alarm | about | priority | why so urgent | cause | consequence | \
         what to do | within |\n",
    );
    alarms.push_str("|---|---|---|---|---|---|---|---|\n");
    for kind in AlarmKind::ALL {
        let doc = kind.doc();
        let about = subject_word(doc.subject);
        let latched = if doc.latches { ", latched" } else { "" };
        let (word, priority) = (doc.word, doc.priority.word());
        let (cause, consequence, reason) = (doc.cause, doc.consequence, doc.priority_reason);
        let (cure, within) = (doc.to_do, doc.respond_within_s);
        alarms.push_str(&format!(
            "| `{word}` | {about} | {priority}{latched} | {reason} | {cause} | {consequence} | \
             {cure} | {within} s |\n"
        ));
    }
    compare("alarms", &alarms);

    let mut metrics = String::from("| metric | what it says |\n|---|---|\n");
    for row in table::ALL {
        let labels = row.labels.join(",");
        let labels = if labels.is_empty() {
            labels
        } else {
            format!("{{{labels}}}")
        };
        metrics.push_str(&format!("| `{}{labels}` | {} |\n", row.name, row.help));
    }
    compare("metrics", &metrics);
}

/// Blocks of one language in a text of Markdown.
fn blocks<'a>(text: &'a str, language: &str) -> Vec<&'a str> {
    text.split(&format!("\n```{language}\n"))
        .skip(1)
        .map(|rest| rest.split_once("\n```").map_or(rest, |(block, _)| block))
        .collect()
}

#[test]
fn its_plans_pass_check() {
    let text = readme();
    let plans: Vec<&str> = blocks(&text, "toml")
        .into_iter()
        .filter(|block| block.contains("[layout]"))
        .collect();
    assert!(!plans.is_empty(), "README.md has no plan");
    for plan in plans {
        let (loaded, findings) = plan::load(plan, "README.md");
        let said: Vec<String> = findings.iter().map(ToString::to_string).collect();
        none(&said);
        assert!(loaded.is_some());
    }
}

#[test]
fn every_plan_in_the_tree_passes_check_or_says_why_not() {
    let mut faults = Vec::new();
    let mut plans = 0;
    for source in files("", ".toml") {
        if !source.text.contains("[layout]") {
            continue;
        }
        plans += 1;
        let output = Command::new(env!("CARGO_BIN_EXE_taillamp"))
            .args(["check", "--plan", &source.name])
            .current_dir(root())
            .output()
            .expect("the program is built");
        let fine = output.status.code() == Some(0);
        // What is wrong on purpose is called so, and its findings stand beside it.
        let wrong = source.name.ends_with(".bad.toml") && !source.name.ends_with(".warn.bad.toml");
        if fine == wrong {
            let said = String::from_utf8_lossy(&output.stdout);
            faults.push(format!(
                "{}: exit {:?}\n{said}",
                source.name,
                output.status.code()
            ));
        }
    }
    assert!(plans > 5, "only {plans} plans were found");
    none(&faults);
}

#[test]
fn its_commands_are_those_of_the_program() {
    let output = Command::new(env!("CARGO_BIN_EXE_taillamp"))
        .arg("--help")
        .output()
        .expect("the program is built");
    let help = String::from_utf8(output.stdout).expect("help is text");
    let listed = help.split_once("Commands:").map_or("", |(_, rest)| rest);
    let program: BTreeSet<String> = listed
        .lines()
        .skip(1)
        .take_while(|line| !line.is_empty())
        .filter_map(|line| line.split_whitespace().next())
        .filter(|command| *command != "help")
        .map(str::to_owned)
        .collect();
    assert!(program.contains("run"), "{help}");
    let text = readme();
    let table = text
        .split_once("\n## Commands\n")
        .map_or("", |(_, rest)| rest);
    let table = table.split("\n## ").next().unwrap_or_default();
    let written: BTreeSet<String> = table
        .lines()
        .filter_map(|line| line.strip_prefix("| `taillamp "))
        .filter_map(|rest| rest.split([' ', '`']).next())
        .map(str::to_owned)
        .collect();
    assert_eq!(written, program, "README.md, Commands");
}

#[test]
fn it_opens_with_the_job_and_exactly_two_commands() {
    let text = readme();
    let opening = text.split("\n## ").next().unwrap_or_default();
    assert_eq!(
        blocks(opening, "sh"),
        ["cargo run --release --bin demo", "./tests/run"]
    );
}

#[test]
fn its_cautions_are_those_of_the_page() {
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let help = flat(&read(&root().join("src/daemon/http/page/help.js")));
    let list = help
        .split_once("const CAUTIONS = [")
        .and_then(|(_, rest)| rest.split_once("];"))
        .map_or("", |(list, _)| list);
    // The page's strings, put together as the page does.
    let joined = list.replace("' + '", "");
    let cautions: Vec<String> = joined
        .split('\'')
        .skip(1)
        .step_by(2)
        .map(|caution| caution.replace("\\u2018", "'").replace("\\u2019", "'"))
        .collect();
    assert_eq!(cautions.len(), 4, "{joined}");
    let readme = flat(&readme());
    for caution in cautions {
        assert!(readme.contains(&caution), "README.md lacks: {caution}");
    }
}

#[test]
fn every_file_that_it_points_to_is_there() {
    let mut faults = Vec::new();
    for document in ["README.md", "DEVELOPERS.md"] {
        let text = read(&root().join(document));
        let links = text
            .split("](")
            .skip(1)
            .filter_map(|rest| rest.split_once(')'));
        let pictures = text
            .split("src=\"")
            .skip(1)
            .filter_map(|rest| rest.split_once('"'));
        for (link, _) in links.chain(pictures) {
            let file = link.split('#').next().unwrap_or_default();
            if !file.contains("://") && !file.is_empty() && !root().join(file).exists() {
                faults.push(format!("{document}: {file} is not there"));
            }
        }
    }
    none(&faults);
}

#[test]
fn findings_have_a_level_that_this_test_knows() {
    // `check` ends well with warnings alone: the plan that only has warnings is the witness.
    let warn = read(&root().join("tests/plans/unwise.warn.bad.toml"));
    let (plan, findings) = plan::load(&warn, "unwise");
    assert!(plan.is_some() && !findings.is_empty());
    assert!(
        findings
            .iter()
            .all(|finding| finding.level == Level::Warning)
    );
}
