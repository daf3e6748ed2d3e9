//! The plan that `init` writes: it passes `check`, runs at once, and its comments say how to go on.
//!
//! One block a board, joined to a loop, each with one current detector: the least that is a layout.

use std::fmt::Write as _;

use super::answers::Answers;
use super::{PASSWORDS, PIN, WEB};

/// The text of the plan.
pub(super) fn text(answers: &Answers) -> String {
    let mut text = String::from(HEAD);
    let quoted = |value: &str| toml_edit::Value::from(value).to_string();
    // Writing to a String cannot fail.
    let _ = write!(
        text,
        "[layout]\nname = {}\nscale = {}\n\n\
         [mqtt]\n\
         # Your boards publish here, each with the user and the password that init has shown.\n\
         listen = \"0.0.0.0:1883\"\n\
         password_file = \"{PASSWORDS}\"\n\n\
         [web]\n\
         # The page, for phones on your network. The PIN is asked from who changes something.\n\
         listen = \"{WEB}\"\n\
         pin_file = \"{PIN}\"\n\n\
         [trains]\n\
         # Which vehicles draw current: \"none\" (engines and lit cars only), \"ends\" (the first\n\
         # and the last of every train), \"all\" (every car has a resistor wheelset).\n\
         equipped = \"none\"\n",
        quoted(&answers.name),
        quoted(&answers.scale),
    );
    text.push_str(BLOCKS);
    for (number, node) in (1..).zip(&answers.nodes) {
        let _ = write!(
            text,
            "\n[[node]]\nid = \"{node}\"\n\n\
             [[block]]\nid = \"block-{number}\"\nline = \"Main\"\n\n\
             [[detector]]\n\
             # Publishes to taillamp/detector/d-{number}, such as\n\
             # [{{\"n\":\"current\",\"u\":\"mA\",\"v\":12.4}}]\n\
             id = \"d-{number}\"\nkind = \"current\"\nblock = \"block-{number}\"\n\
             on = 3.0\noff = 1.5\nnode = \"{node}\"\n",
        );
    }
    let blocks = answers.nodes.len();
    if blocks > 1 {
        text.push_str("\n# The blocks make a loop: end b of each meets end a of the next.\n");
    }
    for number in 1..=blocks {
        let next = number % blocks + 1;
        if next != number {
            let _ = write!(
                text,
                "\n[[join]]\nends = [\"block-{number}.b\", \"block-{next}.a\"]\n"
            );
        }
    }
    text.push_str(TAIL);
    text
}

const HEAD: &str = "\
# The plan of the layout. After every change:   taillamp check --plan plan.toml
# A daemon that runs reads it again on SIGHUP; a plan with errors changes nothing.

";

const BLOCKS: &str = "
# A block is a length of track that is watched as one. `on` and `off` are in mA: at or above `on` a
# vehicle, at or below `off` none.
";

const TAIL: &str = "
# Points, once there are any. `toe` is the end where the blades are.
#
# [[turnout]]
# id = \"w1\"
# name = \"Points 1\"
# toe = \"block-1.b\"           # instead of the join above
# normal = \"block-2.a\"
# reverse = \"siding.a\"
#
# [[block]]
# id = \"siding\"
# use = \"siding\"
#
# A siding's power switch. Current sensing sees nothing on a dead track, so say when it is dead.
#
# [[feed]]
# id = \"siding-power\"
# blocks = [\"siding\"]
# rest = \"off\"
";

/// For the plan of the service, which cannot write beside it.
pub(super) const SERVICE_JOURNAL: &str = "
# What the service remembers: beside the plan it may write nothing.
[journal]
path = \"/var/lib/taillamp/taillamp.db\"
";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan;

    fn answers(nodes: usize) -> Answers {
        Answers {
            name: "Wharf \"Lane\"\\".into(),
            scale: "HO".into(),
            nodes: (1..=nodes).map(|node| format!("board-{node}")).collect(),
            pin: "2468".into(),
        }
    }

    #[test]
    fn the_plan_passes_its_own_check() {
        for nodes in [1, 2, 3, 12] {
            let text = text(&answers(nodes)) + SERVICE_JOURNAL;
            let (plan, findings) = plan::load(&text, "plan.toml");
            assert_eq!(findings, [], "{text}");
            let plan = plan.expect("no findings");
            assert_eq!(plan.layout.name, "Wharf \"Lane\"\\");
            assert_eq!(plan.layout.blocks.len(), nodes);
            assert_eq!(plan.layout.joins.len(), if nodes == 1 { 0 } else { nodes });
        }
    }

    #[test]
    fn what_is_commented_out_passes_too_when_it_is_not() {
        let text = text(&answers(2));
        let (first, tail) = text.split_once("# Points, once").expect("the tail");
        let first = first.replacen("[[join]]\nends = [\"block-1.b\", \"block-2.a\"]\n", "", 1);
        let tail: Vec<&str> = tail
            .lines()
            .skip(1)
            .map(|l| l.trim_start_matches(['#', ' ']))
            .collect();
        let tail = tail
            .join("\n")
            .replace("A siding's power", "# A siding's power");
        let (plan, findings) = plan::load(&format!("{first}\n{tail}"), "plan.toml");
        let errors = findings
            .iter()
            .filter(|finding| finding.level == plan::Level::Error);
        assert_eq!(errors.count(), 0, "{findings:?}");
        assert_eq!(plan.expect("no errors").layout.turnouts.len(), 1);
    }
}
