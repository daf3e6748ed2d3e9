//! `taillamp line-up`: what is not as it should be, asked of a running daemon.

use std::io::Write as _;
use std::time::Duration;

use http_body_util::{BodyExt as _, Empty, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1;
use hyper::{Request, StatusCode, Uri, header};
use hyper_util::rt::TokioIo;
use serde_json::Value;
use tokio::net::TcpStream;

use super::Exit;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// Where the daemon's page is
    #[arg(long, default_value = "http://127.0.0.1:8080")]
    url: Uri,
}

/// How long the daemon may take.
const ANSWER_MAX: Duration = Duration::from_secs(10);
/// The longest answer that is read.
const BODY_MAX: usize = 4 * 1_024 * 1_024;

/// Runs it: 0 when ready, 3 when not, 4 when there is no daemon.
#[must_use]
pub fn run(args: &Args) -> Exit {
    if args.url.scheme_str() != Some("http") || args.url.host().is_none() {
        eprintln!(
            "{}: not an address of a daemon; write http://host:port",
            args.url
        );
        return Exit::Usage;
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    let answer = runtime.map_err(anyhow::Error::from).and_then(|runtime| {
        runtime.block_on(async { tokio::time::timeout(ANSWER_MAX, ask(&args.url)).await? })
    });
    match answer {
        Ok(line_up) => tell(&line_up),
        Err(error) => {
            eprintln!(
                "{}: no answer from a daemon: {error:#}; is it running?",
                args.url
            );
            Exit::Unreachable
        }
    }
}

async fn ask(url: &Uri) -> anyhow::Result<Value> {
    let host = url.host().unwrap_or_default();
    let port = url.port_u16().unwrap_or(80);
    let stream = TcpStream::connect((host.trim_matches(['[', ']']), port)).await?;
    let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await?;
    // It ends with the answer; an error shows there too.
    tokio::spawn(connection);
    let authority = url.authority().map_or("", |authority| authority.as_str());
    let request = Request::get("/api/v1/line-up")
        .header(header::HOST, authority)
        .header(header::CONNECTION, "close")
        .body(Empty::<Bytes>::new())?;
    let answer = sender.send_request(request).await?;
    let status = answer.status();
    let body = Limited::new(answer.into_body(), BODY_MAX).collect().await;
    let body = body.map_err(|error| anyhow::anyhow!("{error}"))?.to_bytes();
    anyhow::ensure!(status == StatusCode::OK, "it answers {status}");
    Ok(serde_json::from_slice(&body)?)
}

fn tell(line_up: &Value) -> Exit {
    let text = |exception: &Value, key: &str| {
        let value = exception.get(key).and_then(Value::as_str).unwrap_or("");
        // What comes from a network is not given to a terminal as it is.
        value
            .chars()
            .filter(|c| !c.is_control())
            .collect::<String>()
    };
    let Some(ready) = line_up.get("ready").and_then(Value::as_bool) else {
        eprintln!("the answer is not a line-up; is this a daemon's address?");
        return Exit::Unreachable;
    };
    let mut list = String::from(if ready { "ready\n" } else { "not ready\n" });
    for exception in line_up
        .get("exceptions")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
    {
        let (level, id) = (text(exception, "level"), text(exception, "id"));
        let (what, cure) = (text(exception, "text"), text(exception, "do"));
        list.push_str(&format!("  {level:5}  {id}: {what} {cure}\n"));
    }
    // Nobody may be reading; the exit code says it all the same.
    let _ = std::io::stdout().write_all(list.as_bytes());
    if ready { Exit::Fine } else { Exit::NotMet }
}
