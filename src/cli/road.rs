//! `taillamp road`: the ways from one block to another, and what to set for each.
//!
//! Inputs: a plan, or a running daemon's address, and two blocks. Outputs: text or JSON, the same
//! as `GET /api/v1/road`. From a plan alone everything is listed that has to be set; only a daemon
//! knows what is set already, and what is in the way.

use std::fmt::Write as _;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use hyper::Uri;
use serde_json::Value;

use super::question::{self, shown};
use super::{Exit, plan_file};
use crate::engine::Engine;
use crate::engine::time::Instant;
use crate::wire::road_json::{Standing, road_json};

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE", required_unless_present = "url")]
    plan: Option<PathBuf>,
    /// Ask a running daemon instead, which knows what is set and what is in the way
    #[arg(long, conflicts_with = "plan")]
    url: Option<Uri>,
    /// The block that the train stands in
    #[arg(long, value_name = "BLOCK")]
    from: String,
    /// The block that it is to go to
    #[arg(long, value_name = "BLOCK")]
    to: String,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

/// Runs it: 0 when there is a way, 3 when there is none.
#[must_use]
pub fn run(args: &Args) -> Exit {
    let asked = match (&args.url, &args.plan) {
        (Some(url), _) => ask(args, url),
        (None, Some(plan)) => look(args, plan),
        // The parser insists on one of the two.
        (None, None) => Err(Exit::Usage),
    };
    let road = match asked {
        Ok(road) => road,
        Err(exit) => return exit,
    };
    let Some(ways) = road.get("ways").and_then(Value::as_array) else {
        complain!("the answer is not a road; is this a daemon's address?");
        return Exit::Unreachable;
    };
    let text = if args.json {
        format!("{road}\n")
    } else {
        in_words(&road, ways)
    };
    // Nobody reads any more: that is not a fault of the road.
    let _ = io::stdout().write_all(text.as_bytes());
    if ways.is_empty() {
        Exit::NotMet
    } else {
        Exit::Fine
    }
}

fn look(args: &Args, plan: &Path) -> Result<Value, Exit> {
    let plan = plan_file::load(plan)?;
    let engine = Engine::new(plan.layout, Instant(0));
    let (from, to) = (Some(args.from.as_str()), Some(args.to.as_str()));
    let road = road_json(&engine, from, to, Standing::PlanOnly).map_err(|error| {
        complain!("{error}");
        Exit::Input
    })?;
    serde_json::from_str(&road).map_err(|error| {
        complain!("the road cannot be shown: {error}");
        Exit::Input
    })
}

fn ask(args: &Args, url: &Uri) -> Result<Value, Exit> {
    let (from, to) = (escaped(&args.from), escaped(&args.to));
    question::ask(url, &format!("/api/v1/road?from={from}&to={to}"))
}

/// A value of a query (RFC 3986, section 2.1): all but the unreserved characters is escaped.
fn escaped(value: &str) -> String {
    let mut text = String::new();
    for byte in value.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            text.push(char::from(byte));
        } else {
            // Writing to a string cannot fail.
            let _ = write!(text, "%{byte:02X}");
        }
    }
    text
}

fn in_words(road: &Value, ways: &[Value]) -> String {
    let cut = shown(road, "cut");
    let mut lines = Vec::new();
    for (number, way) in (1..).zip(ways) {
        lines.push(format!(
            "Way {number}: {}{}",
            shown(way, "text"),
            metres(way)
        ));
        if way.get("reverses") == Some(&Value::Bool(true)) {
            let back = "the train comes out of the bridge by the end that it went in by";
            lines.push(format!("  {back}"));
        }
        let settings = texts(way, "settings");
        if !settings.is_empty() {
            lines.push(format!("  set first: {}", settings.join("; ")));
        }
        for hindrance in texts(way, "in_the_way") {
            lines.push(format!("  in the way: {hindrance}"));
        }
        if way.get("ready") == Some(&Value::Bool(true)) {
            lines.push("  ready".to_owned());
        }
    }
    if ways.is_empty() && cut.is_empty() {
        let (from, to) = (shown(road, "from"), shown(road, "to"));
        lines.push(format!(
            "there is no way from {from} to {to} without turning back"
        ));
    }
    match cut.as_str() {
        "ways" => lines.push("there are more ways; these are the best".to_owned()),
        "steps" => lines.push(
            "the layout is too intricate to look at all of it: there may be other ways".to_owned(),
        ),
        _ => {}
    }
    lines.join("\n") + "\n"
}

fn metres(way: &Value) -> String {
    way.get("length_mm")
        .and_then(Value::as_f64)
        .map(|mm| format!(" ({:.1} m)", mm / 1_000.0))
        .unwrap_or_default()
}

fn texts(way: &Value, key: &str) -> Vec<String> {
    let items = way.get(key).and_then(Value::as_array);
    items
        .into_iter()
        .flatten()
        .map(|item| shown(item, "text"))
        .collect()
}
