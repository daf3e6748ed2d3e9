//! What the API is asked: any query after any path is answered, with a cure where it is wrong.
//!
//! The daemon is the real one, with a journal, on a port of its own. As with the other targets the
//! function is the body of a fuzzing target and, in `tests/fuzz/main.rs`, an ordinary test.

use std::fmt::Write as _;
use std::io::{self, BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::sync::{Mutex, OnceLock};
use std::time::Duration;

use taillamp::daemon::journal::Keep;
use taillamp::daemon::{Daemon, Options};
use taillamp::plan;
use tokio::runtime::Runtime;

const PATHS: [&str; 8] = [
    "/api/v1/road",
    "/api/v1/history",
    "/api/v1/history/state",
    "/api/v1/history.csv",
    "/api/v1/history/extent",
    "/api/v1/state",
    "/api/v1/alarms",
    "/",
];

/// A request is answered within this or not at all.
const DEADLINE: Duration = Duration::from_secs(20);

struct Server {
    web: SocketAddr,
    // Kept, so that they live as long as the process.
    _runtime: Runtime,
    _daemon: Daemon,
    _folder: tempfile::TempDir,
}

fn server() -> &'static Server {
    static SERVER: OnceLock<Server> = OnceLock::new();
    SERVER.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder");
        let text = include_str!("../wire/harbour.toml");
        let text =
            format!("{text}\n[mqtt]\nlisten = \"127.0.0.1:0\"\n[web]\nlisten = \"127.0.0.1:0\"\n");
        let (plan, findings) = plan::load(&text, "fuzz.toml");
        let plan = plan.unwrap_or_else(|| panic!("{findings:?}"));
        let options = Options {
            journal: Some(Keep {
                path: folder.path().join("journal.db"),
                days: 1,
                megabytes: 10,
                raw_megabytes: 0,
            }),
            ..Options::default()
        };
        let runtime = Runtime::new().expect("a runtime");
        let daemon = runtime.block_on(async {
            let daemon = Daemon::start(plan, options).await.expect("free ports");
            daemon.ready().await;
            daemon
        });
        Server {
            web: daemon.addresses().web,
            _runtime: runtime,
            _daemon: daemon,
            _folder: folder,
        }
    })
}

/// The kept connection; none after one was closed.
fn connection() -> io::Result<BufReader<TcpStream>> {
    let stream = TcpStream::connect(server().web)?;
    stream.set_read_timeout(Some(DEADLINE))?;
    stream.set_nodelay(true)?;
    Ok(BufReader::new(stream))
}

/// The status, the type and the text of an answer.
fn answer(from: &mut BufReader<TcpStream>) -> io::Result<(u16, String, Vec<u8>)> {
    let mut line = String::new();
    from.read_line(&mut line)?;
    let status = line.split(' ').nth(1).and_then(|code| code.parse().ok());
    let status = status.ok_or(io::ErrorKind::UnexpectedEof)?;
    let (mut length, mut kind, mut in_pieces) = (0, String::new(), false);
    loop {
        line.clear();
        from.read_line(&mut line)?;
        let Some((name, value)) = line.trim_end().split_once(": ") else {
            break;
        };
        match name.to_ascii_lowercase().as_str() {
            "content-length" => length = value.parse().map_err(io::Error::other)?,
            "content-type" => value.clone_into(&mut kind),
            "transfer-encoding" => in_pieces = true,
            _ => {}
        }
    }
    let mut body = vec![0; length];
    from.read_exact(&mut body)?;
    while in_pieces {
        line.clear();
        from.read_line(&mut line)?;
        let piece = usize::from_str_radix(line.trim_end(), 16).map_err(io::Error::other)?;
        let mut bytes = vec![0; piece + 2];
        from.read_exact(&mut bytes)?;
        body.extend(&bytes[..piece]);
        in_pieces = piece > 0;
    }
    Ok((status, kind, body))
}

/// A path by the first byte, the query by the rest: what cannot stand in a request line is escaped.
pub fn query(data: &[u8]) {
    let Some((first, rest)) = data.split_first() else {
        return;
    };
    let path = PATHS[usize::from(*first) % PATHS.len()];
    let mut query = String::new();
    for byte in rest.iter().take(4_000) {
        if byte.is_ascii_graphic() && *byte != b'#' {
            query.push(char::from(*byte));
        } else {
            let _ = write!(query, "%{byte:02X}");
        }
    }
    let web = server().web;
    let request = format!("GET {path}?{query} HTTP/1.1\r\nHost: {web}\r\n\r\n");
    static KEPT: Mutex<Option<BufReader<TcpStream>>> = Mutex::new(None);
    let mut kept = KEPT
        .lock()
        .unwrap_or_else(std::sync::PoisonError::into_inner);
    // A kept connection may have been closed while nobody looked; a new one may not.
    let (status, kind, body) = loop {
        let (mut here, is_new) = match kept.take() {
            Some(here) => (here, false),
            None => (connection().expect("the daemon listens"), true),
        };
        let asked = here.get_mut().write_all(request.as_bytes());
        match asked.and_then(|()| answer(&mut here)) {
            Ok(answer) => {
                *kept = Some(here);
                break answer;
            }
            Err(error) => assert!(!is_new, "{request}: {error}"),
        }
    };
    let text = String::from_utf8_lossy(&body);
    assert!(status < 500, "{status} to {request}: {text}");
    if kind.contains("json") {
        let read = serde_json::from_slice::<serde_json::Value>(&body);
        assert!(read.is_ok(), "{request}: {text}");
    } else {
        assert!(
            status < 400 || status == 414 || body.is_empty(),
            "{request}: {text}"
        );
    }
}
