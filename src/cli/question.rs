//! A question to a running daemon, over HTTP.
//!
//! Inputs: the daemon's address and a path. Outputs: the answer as JSON, or how to end, the reason
//! being on standard error.

use std::time::Duration;

use http_body_util::{BodyExt as _, Empty, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1;
use hyper::{Request, StatusCode, Uri, header};
use hyper_util::rt::TokioIo;
use serde_json::Value;
use tokio::net::TcpStream;

use super::Exit;

/// How long the daemon may take.
const ANSWER_MAX: Duration = Duration::from_secs(10);
/// The longest answer that is read.
const BODY_MAX: usize = 4 * 1_024 * 1_024;

/// Asks. `path` is that of a URL, with its query.
///
/// # Errors
/// How to end; why was printed.
pub(super) fn ask(url: &Uri, path: &str) -> Result<Value, Exit> {
    if url.scheme_str() != Some("http") || url.host().is_none() {
        complain!("{url}: not an address of a daemon; write http://host:port");
        return Err(Exit::Usage);
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    let answer = runtime.map_err(anyhow::Error::from).and_then(|runtime| {
        runtime.block_on(async { tokio::time::timeout(ANSWER_MAX, send(url, path)).await? })
    });
    match answer {
        Ok((StatusCode::OK, answer)) => Ok(answer),
        Ok((StatusCode::BAD_REQUEST, problem)) if problem.get("detail").is_some() => {
            complain!("{}", shown(&problem, "detail"));
            Err(Exit::Input)
        }
        Ok((status, _)) => {
            complain!("{url}: it answers {status}; is this a daemon's address?");
            Err(Exit::Unreachable)
        }
        Err(error) => {
            complain!("{url}: no answer from a daemon: {error:#}; is it running?");
            Err(Exit::Unreachable)
        }
    }
}

async fn send(url: &Uri, path: &str) -> anyhow::Result<(StatusCode, Value)> {
    let host = url.host().unwrap_or_default();
    let port = url.port_u16().unwrap_or(80);
    let stream = TcpStream::connect((host.trim_matches(['[', ']']), port)).await?;
    let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await?;
    // It ends with the answer; an error shows there too.
    tokio::spawn(connection);
    let authority = url.authority().map_or("", |authority| authority.as_str());
    let request = Request::get(path)
        .header(header::HOST, authority)
        .header(header::CONNECTION, "close")
        .body(Empty::<Bytes>::new())?;
    let answer = sender.send_request(request).await?;
    let status = answer.status();
    let body = Limited::new(answer.into_body(), BODY_MAX).collect().await;
    let body = body.map_err(|error| anyhow::anyhow!("{error}"))?.to_bytes();
    let answer = serde_json::from_slice(&body);
    // What is no JSON is no daemon's answer; the status says what it is.
    anyhow::ensure!(
        answer.is_ok() || status != StatusCode::OK,
        "it answers something else than JSON"
    );
    Ok((status, answer.unwrap_or_default()))
}

/// A text of an answer, fit for a terminal: what comes from a network is not given to it as it is.
pub(super) fn shown(record: &Value, key: &str) -> String {
    let value = record.get(key).and_then(Value::as_str).unwrap_or("");
    value.chars().filter(|c| !c.is_control()).collect()
}
