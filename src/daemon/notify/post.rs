//! One POST, and whether anybody listens at an address. A connection each time: warnings are few.

use std::sync::Arc;
use std::time::Duration;

use http_body_util::{BodyExt as _, Full, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1;
use hyper::header::{self, HeaderMap, HeaderName, HeaderValue};
use hyper::{Request, StatusCode, Uri};
use hyper_util::rt::TokioIo;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::pki_types::ServerName;

use super::Failure;
use crate::daemon::mqtt::tls;
use crate::plan::notify::Door;

/// How long one attempt may take.
pub(super) const ATTEMPT_MAX: Duration = Duration::from_secs(10);
/// The longest answer that is read: nothing in it is used.
const ANSWER_MAX: usize = 64 * 1_024;

/// Where to.
pub(super) struct Target {
    uri: Uri,
    host: String,
    port: u16,
    secure: bool,
}

impl Target {
    /// Reads an address; it may be a secret, so no error repeats it.
    pub(super) fn of(url: &str) -> Result<Self, Failure> {
        let wrong = || Failure::for_good("the address cannot be read; write http://host/path");
        let uri: Uri = url.parse().map_err(|_| wrong())?;
        let secure = match uri.scheme_str() {
            Some("http") => false,
            Some("https") => true,
            _ => return Err(wrong()),
        };
        let host = uri
            .host()
            .ok_or_else(wrong)?
            .trim_matches(['[', ']'])
            .to_owned();
        let port = match (uri.port_u16(), uri.authority().map(|all| all.as_str())) {
            (Some(port), _) => port,
            // A port that is none would else be taken for none said.
            (None, Some(all)) if !all.ends_with(uri.host().unwrap_or_default()) => {
                return Err(wrong());
            }
            (None, _) if secure => 443,
            (None, _) => 80,
        };
        Ok(Self {
            uri,
            host,
            port,
            secure,
        })
    }

    /// Whether anybody listens there.
    pub(super) async fn knock(&self) -> Result<(), Failure> {
        self.connect().await.map(drop)
    }

    async fn connect(&self) -> Result<TcpStream, Failure> {
        let connect = TcpStream::connect((self.host.as_str(), self.port));
        connect
            .await
            .map_err(|error| Failure::for_now(format!("{}: {error}", self.host)))
    }
}

/// Posts a body; any 2xx is good.
pub(super) async fn post(
    door: &Door,
    target: &Target,
    headers: HeaderMap,
    body: String,
) -> Result<(), Failure> {
    let stream = target.connect().await?;
    // A warning must not wait for more to send.
    let _ = stream.set_nodelay(true);
    let request = request(target, headers, body)?;
    if !target.secure {
        return exchange(TokioIo::new(stream), request, &target.host).await;
    }
    let config =
        tls(door.ca_file.as_deref()).map_err(|error| Failure::for_now(error.to_string()))?;
    let name = ServerName::try_from(target.host.clone())
        .map_err(|_| Failure::for_good("the address has no name that a certificate could hold"))?;
    let stream = TlsConnector::from(Arc::clone(&config))
        .connect(name, stream)
        .await
        .map_err(|error| Failure::for_now(format!("{}: TLS: {error}", target.host)))?;
    exchange(TokioIo::new(stream), request, &target.host).await
}

fn request(
    target: &Target,
    headers: HeaderMap,
    body: String,
) -> Result<Request<Full<Bytes>>, Failure> {
    let path = target
        .uri
        .path_and_query()
        .map_or("/", |path| path.as_str());
    let authority = target
        .uri
        .authority()
        .map_or("", |authority| authority.as_str());
    let agent = concat!("taillamp/", env!("CARGO_PKG_VERSION"));
    let mut request = Request::post(path)
        .header(header::HOST, authority)
        .header(header::USER_AGENT, agent)
        .header(header::CONNECTION, "close")
        .body(Full::new(Bytes::from(body)))
        .map_err(|_| Failure::for_good("the address cannot be asked for"))?;
    request.headers_mut().extend(headers);
    Ok(request)
}

async fn exchange<S>(
    stream: TokioIo<S>,
    request: Request<Full<Bytes>>,
    host: &str,
) -> Result<(), Failure>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let broken = |error: hyper::Error| Failure::for_now(format!("{host}: {error}"));
    let (mut sender, connection) = http1::handshake(stream).await.map_err(broken)?;
    // It ends with the answer; an error shows there too.
    let connection = tokio::spawn(connection);
    let answer = sender.send_request(request).await;
    let result = match answer {
        Ok(answer) => {
            let status = answer.status();
            // Read, so that the other side is not cut off while it answers.
            let _ = Limited::new(answer.into_body(), ANSWER_MAX).collect().await;
            judge(status, host)
        }
        Err(error) => Err(broken(error)),
    };
    connection.abort();
    result
}

/// What a status means: done, try again, or never (RFC 9110, section 15; 408 and 429 ask for
/// another try).
fn judge(status: StatusCode, host: &str) -> Result<(), Failure> {
    if status.is_success() {
        return Ok(());
    }
    let text = format!("{host} answers {status}");
    let again = status.is_server_error()
        || status == StatusCode::REQUEST_TIMEOUT
        || status == StatusCode::TOO_MANY_REQUESTS;
    Err(if again {
        Failure::for_now(text)
    } else {
        Failure::for_good(text)
    })
}

/// A header; what cannot be one is left out, and its value is not repeated.
pub(super) fn add(headers: &mut HeaderMap, name: &str, value: &str) -> Result<(), Failure> {
    let parsed = HeaderName::try_from(name.trim())
        .ok()
        .zip(HeaderValue::from_bytes(value.trim().as_bytes()).ok());
    let Some((name, value)) = parsed else {
        return Err(Failure::for_good(format!(
            "`{}` cannot be a header",
            name.trim()
        )));
    };
    headers.insert(name, value);
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_tried_again() {
        let verdict = |code: u16| {
            let status = StatusCode::from_u16(code).expect("a status");
            judge(status, "host").map_err(|failure| failure.for_good)
        };
        for (code, expected) in [
            (200, Ok(())),
            (202, Ok(())),
            (204, Ok(())),
            (301, Err(true)),
            (400, Err(true)),
            (401, Err(true)),
            (404, Err(true)),
            (408, Err(false)),
            (429, Err(false)),
            (500, Err(false)),
            (503, Err(false)),
        ] {
            assert_eq!(verdict(code), expected, "{code}");
        }
    }

    #[test]
    fn an_address_is_not_repeated_in_an_error() {
        for wrong in [
            "http://",
            "ftp://host/sesame",
            "sesame",
            "http://host:port/sesame",
        ] {
            let Err(failure) = Target::of(wrong) else {
                panic!("{wrong} is no address")
            };
            assert!(!failure.text.contains("sesame"), "{}", failure.text);
        }
        let target = Target::of("https://[::1]:8443/a?b=c").map_err(|failure| failure.text);
        let target = target.expect("an address");
        assert_eq!(
            (target.host.as_str(), target.port, target.secure),
            ("::1", 8_443, true)
        );
    }
}
