//! `taillamp line-up`: what is not as it should be, asked of a running daemon.

use std::io::Write as _;

use hyper::Uri;
use serde_json::Value;

use super::Exit;
use super::question::{self, shown};

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// Where the daemon's page is
    #[arg(long, default_value = "http://127.0.0.1:8080")]
    url: Uri,
}

/// Runs it: 0 when ready, 3 when not, 4 when there is no daemon.
#[must_use]
pub fn run(args: &Args) -> Exit {
    match question::ask(&args.url, "/api/v1/line-up") {
        Ok(line_up) => tell(&line_up),
        Err(exit) => exit,
    }
}

fn tell(line_up: &Value) -> Exit {
    let Some(ready) = line_up.get("ready").and_then(Value::as_bool) else {
        complain!("the answer is not a line-up; is this a daemon's address?");
        return Exit::Unreachable;
    };
    let mut list = String::from(if ready { "ready\n" } else { "not ready\n" });
    for exception in line_up
        .get("exceptions")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
    {
        let (level, id) = (shown(exception, "level"), shown(exception, "id"));
        let (what, cure) = (shown(exception, "text"), shown(exception, "do"));
        list.push_str(&format!("  {level:5}  {id}: {what} {cure}\n"));
    }
    // Nobody may be reading; the exit code says it all the same.
    let _ = std::io::stdout().write_all(list.as_bytes());
    if ready { Exit::Fine } else { Exit::NotMet }
}
