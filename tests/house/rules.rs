//! Every rule of the behaviour has its tag where it is carried out and a test that is named after
//! it, and no tag or test names a rule that there is not.

use std::collections::BTreeSet;

use crate::sources::{Source, files, none};

/// B1 to B10 (places) and T0 to T11 (turnouts).
fn rules() -> Vec<String> {
    let places = (1..=10).map(|number| format!("B{number}"));
    let turnouts = (0..=11).map(|number| format!("T{number}"));
    places.chain(turnouts).collect()
}

/// Rule names in a text: a B or T with a number, as words of their own.
fn tags(text: &str) -> BTreeSet<String> {
    text.split(|c: char| !(c.is_alphanumeric() || c == '_'))
        .filter(|word| {
            let mut chars = word.chars();
            matches!(chars.next(), Some('B' | 'T'))
                && word.len() > 1
                && chars.all(|c| c.is_ascii_digit())
        })
        .map(str::to_owned)
        .collect()
}

/// What the comments of the engine say, all together; the tests beside the code do not count.
fn comments(source: &Source) -> String {
    let lines = source.text.lines();
    let before_tests = lines.take_while(|line| line.trim() != "#[cfg(test)]");
    let comments = before_tests.filter_map(|line| line.split_once("//"));
    comments
        .map(|(_, comment)| format!("{comment}\n"))
        .collect()
}

#[test]
fn every_rule_has_its_tag_in_the_engine_and_no_tag_is_invented() {
    let sources = files("src/engine", ".rs");
    let known: BTreeSet<String> = rules().into_iter().collect();
    let mut found = BTreeSet::new();
    let mut faults = Vec::new();
    for source in &sources {
        let tags = tags(&comments(source));
        for tag in tags.difference(&known) {
            faults.push(format!("{}: there is no rule {tag}", source.name));
        }
        found.extend(tags);
    }
    for rule in known.difference(&found) {
        faults.push(format!(
            "no `// {rule}:` in src/engine: who carries it out?"
        ));
    }
    none(&faults);
}

#[test]
fn every_rule_has_a_test_of_its_name_and_no_test_names_another() {
    let sources = files("tests/rules", ".rs");
    let mut faults = Vec::new();
    let mut tested = BTreeSet::new();
    for source in &sources {
        for (number, line) in source.lines() {
            let Some(name) = line.trim_start().strip_prefix("fn ") else {
                continue;
            };
            let first = name.split('_').next().unwrap_or_default().to_uppercase();
            for tag in tags(&first) {
                if !rules().contains(&tag) {
                    faults.push(format!("{}:{number}: there is no rule {tag}", source.name));
                }
                // Only a function that is a test counts.
                let is_test = (1..number)
                    .rev()
                    .map(|above| {
                        source
                            .text
                            .lines()
                            .nth(above - 1)
                            .unwrap_or_default()
                            .trim()
                    })
                    .take_while(|above| above.starts_with("#[") || above.starts_with("//"))
                    .any(|above| above == "#[test]");
                if is_test {
                    tested.insert(tag);
                }
            }
        }
    }
    for rule in rules().iter().filter(|rule| !tested.contains(*rule)) {
        faults.push(format!(
            "no test in tests/rules is named {}_...",
            rule.to_lowercase()
        ));
    }
    none(&faults);
}

#[test]
fn this_reader_sees_what_it_must_see() {
    let seen = tags("B3: as B10, not B3a nor xT4; T0.");
    assert_eq!(seen.into_iter().collect::<Vec<_>>(), ["B10", "B3", "T0"]);
}
