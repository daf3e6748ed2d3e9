//! `taillamp listen`: every topic that the plan does not know, with its last payload and lines for
//! the plan.
//!
//! Without `--seconds` it tells of each topic when it first comes, and of all with their last
//! payloads at the end.

mod guess;

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::PathBuf;

use super::ear::{self, Ear, Login};
use super::{Exit, plan_file};
use crate::daemon::mqtt::client::Arrival;
use crate::plan::Plan;
use crate::wire::topics::TopicTable;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// End after so many seconds; without it, Ctrl-C ends it
    #[arg(long, value_name = "N")]
    seconds: Option<f64>,
    #[command(flatten)]
    login: Login,
}

/// Topics that are kept; on a broker with more, the plan's owner looks for something else.
const TOPICS_MAX: usize = 10_000;
/// Bytes of a payload that are kept.
const PAYLOAD_MAX: usize = 4_096;

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    let plan = match plan_file::load(&args.plan) {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    let heard = ear::runtime().and_then(|runtime| {
        runtime.block_on(async {
            let ear = Ear::open(&plan, &args.login, vec!["#".into()]).await?;
            Ok(hear(ear, &plan, args.seconds).await)
        })
    });
    match heard {
        Ok(unknown) => {
            tell(&unknown);
            Exit::Fine
        }
        Err(exit) => exit,
    }
}

/// Topics that the plan does not know, with their last payloads.
type Unknown = BTreeMap<String, Vec<u8>>;

async fn hear(mut ear: Ear, plan: &Plan, seconds: Option<f64>) -> Unknown {
    let table = TopicTable::new(plan);
    let own = ["state/", "alarm/", "do/", "say", "status"];
    let own = own.map(|topic| format!("{}/{topic}", plan.topic_prefix));
    let knows = |topic: &str| {
        !table.listeners(topic).is_empty() || own.iter().any(|own| topic.starts_with(own.as_str()))
    };
    let mut unknown = Unknown::new();
    let end = ear::until(seconds);
    tokio::pin!(end);
    loop {
        let arrival = tokio::select! {
            () = &mut end => break,
            arrival = ear.next() => arrival,
        };
        match arrival {
            Some(Arrival::Message { topic, payload, .. }) if !knows(&topic) => {
                let payload = payload.get(..PAYLOAD_MAX).unwrap_or(&payload).to_vec();
                if payload.is_empty() {
                    continue;
                }
                if !unknown.contains_key(&topic) {
                    if unknown.len() == TOPICS_MAX {
                        continue;
                    }
                    if seconds.is_none() {
                        print(&format!(
                            "{}  {}\n",
                            guess::plain(&topic),
                            guess::shown(&payload)
                        ));
                    }
                }
                unknown.insert(topic, payload);
            }
            Some(Arrival::Message { .. }) => {}
            Some(Arrival::Lost { .. }) => complain!("the broker was lost; waiting for it"),
            Some(Arrival::Connected { .. }) => complain!("the broker is back"),
            None => break,
        }
    }
    ear.close().await;
    unknown
}

fn tell(unknown: &Unknown) {
    if unknown.is_empty() {
        return print("The plan knows every topic that was heard.\n");
    }
    print("\n# Topics that the plan does not know, with their last payloads.\n");
    for (topic, payload) in unknown {
        let (name, shown) = (guess::plain(topic), guess::shown(payload));
        print(&format!(
            "\n# {name}\n# {shown}\n{}\n",
            guess::lines(topic, payload)
        ));
    }
    if unknown.len() == TOPICS_MAX {
        print(&format!(
            "\n# There are more; only {TOPICS_MAX} are shown.\n"
        ));
    }
}

/// Nobody may be reading any more; that is no reason to fail.
fn print(text: &str) {
    let _ = std::io::stdout().write_all(text.as_bytes());
}
