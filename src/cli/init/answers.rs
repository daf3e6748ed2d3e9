//! The four answers: asked on the terminal, or given as options; each is checked the same way.

use std::io::Write as _;

use anyhow::bail;
use argon2::password_hash::rand_core::{OsRng, RngCore as _};

use super::Args;
use crate::plan::scale;

/// Boards at most; a layout with more has an owner who writes plans by hand.
const NODES_MAX: usize = 200;
/// Characters of a name.
const NAME_MAX: usize = 64;

/// What was answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Answers {
    /// What the layout is called.
    pub(super) name: String,
    /// Its scale, as the plan writes it.
    pub(super) scale: String,
    /// The boards' ids.
    pub(super) nodes: Vec<String>,
    /// The PIN.
    pub(super) pin: String,
}

/// One question: its check says what is wrong with an answer.
struct Question<T> {
    text: &'static str,
    default: String,
    check: fn(&str) -> anyhow::Result<T>,
}

fn questions() -> (
    Question<String>,
    Question<String>,
    Question<Vec<String>>,
    Question<String>,
) {
    let name = Question {
        text: "What is the layout called?",
        default: "My Layout".into(),
        check: name,
    };
    let scale = Question {
        text: "Its scale (HO, N, O, ... or 1:87.1)?",
        default: "HO".into(),
        check: scale,
    };
    let nodes = Question {
        text: "Which boards carry your detectors (ids, commas between)?",
        default: "board-1".into(),
        check: nodes,
    };
    let pin = Question {
        text: "A PIN for phones that may change something (empty: one at random)?",
        default: format!("{:06}", OsRng.next_u32() % 1_000_000),
        check: pin,
    };
    (name, scale, nodes, pin)
}

impl Answers {
    /// What the options say; what they do not say is as if the question was passed over.
    pub(super) fn given(args: &Args) -> anyhow::Result<Self> {
        let (name, scale, nodes, pin) = questions();
        Ok(Self {
            name: name.given(args.name.as_deref())?,
            scale: scale.given(args.scale.as_deref())?,
            nodes: nodes.given(args.nodes.as_deref())?,
            pin: pin.given(args.pin.as_deref())?,
        })
    }

    /// What the options say; the rest is asked.
    pub(super) fn asked(args: &Args) -> anyhow::Result<Self> {
        let (name, scale, nodes, pin) = questions();
        Ok(Self {
            name: name.asked(args.name.as_deref(), true)?,
            scale: scale.asked(args.scale.as_deref(), true)?,
            nodes: nodes.asked(args.nodes.as_deref(), true)?,
            // A PIN that is made up is not shown in the question: it is shown with the passwords.
            pin: pin.asked(args.pin.as_deref(), false)?,
        })
    }
}

impl<T> Question<T> {
    fn given(&self, given: Option<&str>) -> anyhow::Result<T> {
        (self.check)(given.unwrap_or(&self.default).trim())
    }

    fn asked(&self, given: Option<&str>, show_default: bool) -> anyhow::Result<T> {
        if given.is_some() {
            return self.given(given);
        }
        let mut out = std::io::stdout().lock();
        loop {
            write!(out, "{}", self.text)?;
            if show_default {
                write!(out, " [{}]", self.default)?;
            }
            write!(out, " ")?;
            out.flush()?;
            let mut line = String::new();
            if std::io::stdin().read_line(&mut line)? == 0 {
                bail!("no answer; nothing was written");
            }
            let answer = line.trim();
            match (self.check)(if answer.is_empty() {
                &self.default
            } else {
                answer
            }) {
                Ok(answer) => return Ok(answer),
                Err(error) => writeln!(out, "{error}")?,
            }
        }
    }
}

fn name(answer: &str) -> anyhow::Result<String> {
    let fits = (1..=NAME_MAX).contains(&answer.chars().count());
    if !fits || answer.chars().any(char::is_control) {
        bail!("a name has 1 to {NAME_MAX} characters");
    }
    Ok(answer.into())
}

fn scale(answer: &str) -> anyhow::Result<String> {
    if scale::ratio(answer).is_none() {
        bail!(
            "no scale {answer:?}: one of {}, or a ratio such as 1:87.1",
            scale::names()
        );
    }
    Ok(answer.into())
}

fn nodes(answer: &str) -> anyhow::Result<Vec<String>> {
    let mut nodes: Vec<String> = Vec::new();
    for node in answer
        .split(',')
        .map(str::trim)
        .filter(|node| !node.is_empty())
    {
        let ok = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        // Room is left for the ids that are made of it.
        if node.len() > 28 || !node.chars().all(ok) {
            bail!("{node:?} is no id: up to 28 of a-z, 0-9 and the hyphen");
        }
        if nodes.iter().any(|known| known == node) {
            bail!("{node:?} is there twice");
        }
        nodes.push(node.into());
    }
    if nodes.is_empty() || nodes.len() > NODES_MAX {
        bail!("1 to {NODES_MAX} boards");
    }
    Ok(nodes)
}

fn pin(answer: &str) -> anyhow::Result<String> {
    let fits = (4..=64).contains(&answer.chars().count());
    if !fits || answer.chars().any(char::is_control) {
        bail!("a PIN has 4 to 64 characters");
    }
    Ok(answer.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_checked() {
        assert_eq!(nodes("esp-1, esp-2,").expect("two"), ["esp-1", "esp-2"]);
        for wrong in ["", ",", "Esp", "a b", "esp-1,esp-1", "caf\u{e9}"] {
            assert!(nodes(wrong).is_err(), "{wrong:?}");
        }
        assert!(scale("HO").is_ok() && scale("1:76").is_ok());
        assert!(scale("ho").is_err() && scale("1:0").is_err());
        assert!(pin("123").is_err() && pin("1234").is_ok());
        assert!(name("").is_err() && name("a\nb").is_err() && name("Wharf Lane").is_ok());
    }
}
