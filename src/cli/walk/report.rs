//! The acceptance report of a walk-round: lines for the terminal, and a page.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::notes::Notes;
use super::result::crossed;
use super::steps::Step;
use crate::cli::html::{self, escaped};

/// What the walk has shown.
pub struct Report<'a> {
    pub layout: &'a str,
    pub steps: &'a [Step],
    pub notes: &'a Notes,
    /// Where each detector belongs.
    pub homes: &'a BTreeMap<String, String>,
    /// Blocks that nothing watches.
    pub unwatched: &'a [String],
}

impl Report<'_> {
    /// Whether every place has shown what it should.
    pub fn accepted(&self) -> bool {
        self.open().is_empty()
    }

    /// The steps that are not done, or not as they should be.
    fn open(&self) -> Vec<&Step> {
        let steps = self.steps.iter();
        let done = |step: &&Step| !super::result::is_done(step, self.notes.steps.get(&step.id));
        steps.filter(done).collect()
    }

    fn verdict(&self) -> String {
        let (open, all) = (self.open().len(), self.steps.len());
        if open == 0 {
            format!("accepted: every detector of {all} places answers, and no other with it")
        } else {
            format!("not accepted: {open} of {all} places are not as they should be")
        }
    }

    fn findings(&self) -> Vec<String> {
        let mut findings = Vec::new();
        for step in self.steps {
            match self.notes.steps.get(&step.id) {
                Some(seen) if seen.asked == step.detectors => {
                    findings.extend(seen.findings(&step.id, self.homes));
                }
                Some(_) => findings.push(format!(
                    "{}: its detectors have changed in the plan since it was walked",
                    step.id
                )),
                None => findings.push(format!("{}: not walked yet", step.id)),
            }
        }
        for (one, other) in crossed(&self.notes.steps) {
            findings.push(format!(
                "{one} and {other} answered for each other: exchange their wires, or their \
                 topics in the plan"
            ));
        }
        findings
    }

    /// For the terminal.
    pub fn text(&self) -> String {
        let mut text = String::new();
        for finding in self.findings() {
            let _ = writeln!(text, "{finding}");
        }
        if !self.unwatched.is_empty() {
            let _ = writeln!(
                text,
                "nothing watches {}: a walk proves nothing there",
                self.unwatched.join(", ")
            );
        }
        let _ = writeln!(text, "{}: {}", self.layout, self.verdict());
        text
    }

    /// The page.
    pub fn page(&self) -> String {
        let mut page = html::head(&format!("Acceptance: {}", self.layout));
        let _ = writeln!(page, "<p><strong>{}</strong></p>", escaped(&self.verdict()));
        page.push_str(
            "<table><tr><th>place</th><th>asked</th><th>answered</th><th>result</th>\
             <th>when</th></tr>\n",
        );
        for step in self.steps {
            let seen = self.notes.steps.get(&step.id);
            let list = |ids: &std::collections::BTreeSet<String>| {
                let ids: Vec<&str> = ids.iter().map(String::as_str).collect();
                escaped(&ids.join(", "))
            };
            let done = super::result::is_done(step, seen);
            let result = match seen {
                None => "not walked",
                Some(_) if done => "as it should be",
                Some(seen) if seen.skipped => "passed over",
                Some(_) => "not as it should be",
            };
            let _ = writeln!(
                page,
                "<tr><td>{} ({})</td><td>{}</td><td>{}</td><td>{result}</td><td>{}</td></tr>",
                escaped(&step.name),
                escaped(&step.id),
                list(&step.detectors),
                seen.map(|seen| list(&seen.answered)).unwrap_or_default(),
                seen.map(|seen| escaped(&seen.at)).unwrap_or_default(),
            );
        }
        page.push_str("</table>\n");
        let findings = self.findings();
        if !findings.is_empty() {
            page.push_str("<h2>Findings</h2>\n<ul>\n");
            for finding in findings {
                let _ = writeln!(page, "<li>{}</li>", escaped(&finding));
            }
            page.push_str("</ul>\n");
        }
        if !self.unwatched.is_empty() {
            let _ = writeln!(
                page,
                "<p>Nothing watches {}: a walk proves nothing there.</p>",
                escaped(&self.unwatched.join(", "))
            );
        }
        page.push_str(
            "<p>It shows that each detector answered a car on the day of the walk. A hobby aid for \
             indoor model layouts, not a safety system: look before you move.</p>\n",
        );
        page.push_str(html::END);
        page
    }
}
