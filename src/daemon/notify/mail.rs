//! A warning by e-mail (SMTP, RFC 5321; lettre does the talking).

use lettre::message::Mailbox;
use lettre::message::header::ContentType;
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::{AsyncSmtpTransport, AsyncTransport as _, Message, Tokio1Executor};
use tokio::net::TcpStream;

use super::Failure;
use super::notice::Notice;
use super::post::ATTEMPT_MAX;
use super::secret;
use crate::plan::notify::Mail;

/// The mail server, as the address names it.
struct Server {
    host: String,
    port: u16,
    /// TLS from the first byte.
    wrapped: bool,
}

fn server(url: &str) -> Result<Server, Failure> {
    let wrong = || Failure::for_good("the address cannot be read; write smtp://host:587");
    let (scheme, rest) = url.split_once("://").ok_or_else(wrong)?;
    let wrapped = match scheme {
        "smtp" => false,
        "smtps" => true,
        _ => return Err(wrong()),
    };
    let authority = rest.trim_end_matches('/');
    // The ports of RFC 6409 and RFC 8314.
    let standard = if wrapped { 465 } else { 587 };
    let (host, port) = match authority.rsplit_once(':') {
        Some((host, port)) if !port.ends_with(']') => (host, port.parse().map_err(|_| wrong())?),
        _ => (authority, standard),
    };
    let host = host.trim_matches(['[', ']']).to_owned();
    if host.is_empty() || host.contains(['/', '@']) {
        return Err(wrong());
    }
    Ok(Server {
        host,
        port,
        wrapped,
    })
}

/// Whether anybody listens there.
pub(super) async fn knock(mail: &Mail) -> Result<(), Failure> {
    let server = server(&secret::text(&mail.url).await?)?;
    let connect = TcpStream::connect((server.host.as_str(), server.port)).await;
    connect
        .map(drop)
        .map_err(|error| Failure::for_now(format!("{}: {error}", server.host)))
}

/// Sends it.
pub(super) async fn send(mail: &Mail, notice: &Notice) -> Result<(), Failure> {
    let server = server(&secret::text(&mail.url).await?)?;
    let message = message(mail, notice)?;
    let mut transport = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(&server.host)
        .port(server.port)
        .timeout(Some(ATTEMPT_MAX));
    if !mail.plain || server.wrapped {
        let tls = tls(mail, &server.host).await?;
        transport = transport.tls(if server.wrapped {
            Tls::Wrapper(tls)
        } else {
            Tls::Required(tls)
        });
    }
    if let (Some(user), Some(password)) = (&mail.user, &mail.password) {
        let password = secret::read(password).await?;
        transport = transport.credentials(Credentials::new(user.clone(), password));
    }
    match transport.build().send(message).await {
        Ok(_) => Ok(()),
        Err(error) => {
            let text = format!("{}: {error}", server.host);
            // RFC 5321, section 4.2.1: a 5yz reply is for good.
            Err(if error.is_permanent() {
                Failure::for_good(text)
            } else {
                Failure::for_now(text)
            })
        }
    }
}

async fn tls(mail: &Mail, host: &str) -> Result<TlsParameters, Failure> {
    let wrong = |what: String| Failure::for_now(what);
    let mut parameters = TlsParameters::builder(host.to_owned());
    if let Some(file) = &mail.ca_file {
        let pem = tokio::fs::read(file)
            .await
            .map_err(|error| wrong(format!("ca_file: {}: {error}", file.display())))?;
        let certificate = Certificate::from_pem(&pem)
            .map_err(|error| wrong(format!("ca_file: {}: {error}", file.display())))?;
        parameters = parameters.add_root_certificate(certificate);
    }
    parameters
        .build_rustls()
        .map_err(|error| wrong(format!("TLS: {error}")))
}

fn message(mail: &Mail, notice: &Notice) -> Result<Message, Failure> {
    let address = |key: &str, text: &str| {
        text.parse::<Mailbox>().map_err(|error| {
            Failure::for_good(format!("`{key}` holds `{text}`, no mail address: {error}"))
        })
    };
    let mut message = Message::builder()
        .from(address("from", &mail.from)?)
        .subject(notice.headline())
        .header(ContentType::TEXT_PLAIN);
    for to in &mail.to {
        message = message.to(address("to", to)?);
    }
    message
        .body(notice.letter())
        .map_err(|error| Failure::for_good(format!("the mail cannot be written: {error}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_and_their_ports() {
        let read = |url| server(url).map(|s| (s.host, s.port, s.wrapped)).ok();
        let is = |host: &str, port, wrapped| Some((host.to_owned(), port, wrapped));
        assert_eq!(read("smtp://mail.example"), is("mail.example", 587, false));
        assert_eq!(read("smtps://mail.example/"), is("mail.example", 465, true));
        assert_eq!(read("smtp://127.0.0.1:2525"), is("127.0.0.1", 2_525, false));
        assert_eq!(read("smtp://[::1]:25"), is("::1", 25, false));
        assert_eq!(read("smtp://[::1]"), is("::1", 587, false));
        for wrong in ["smtp://", "http://x", "smtp://x:y", "smtp://me@x", "x"] {
            assert_eq!(read(wrong), None, "{wrong}");
        }
    }
}
