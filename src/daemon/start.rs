//! Starting: everything that can fail does so here, before the daemon says that it runs.
//!
//! Input: the plan's `[mqtt]` and `[web]`. Output: the broker, the listener and the secrets that
//! they need, or an error that names the plan key and the cure.

use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock};

use argon2::PasswordHash;
use argon2::password_hash::rand_core::{OsRng, RngCore as _};
use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

use super::clock::Clock;
use super::hub::SharedRights;
use super::journal::schema::OpenError;
use super::journal::{Journal, Keep, Left, RetainedInJournal};
use super::metrics::Metrics;
use super::mqtt::AddressError;
use super::mqtt::broker::access::UsersError;
use super::mqtt::broker::{Action, Broker, BrokerConfig, Permit, RetainedStore, Users};
use crate::plan::{Mqtt, Plan, Web};
use crate::wire::rights::{OWN_USER, Rights};

/// The longest file with a secret.
const SECRET_BYTES_MAX: u64 = 4 * 1_024 * 1_024;

/// Why the daemon did not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// Somebody else has the port.
    #[error(
        "port {} is taken: end the program that has it, or choose another with {key} in the plan",
        .address.port()
    )]
    PortTaken {
        /// The plan's key.
        key: &'static str,
        /// Where it was to listen.
        address: SocketAddr,
    },
    /// The address cannot be listened on.
    #[error("cannot listen on {address} ({key} in the plan): {error}")]
    Listen {
        /// The plan's key.
        key: &'static str,
        /// Where it was to listen.
        address: SocketAddr,
        /// Why not.
        error: io::Error,
    },
    /// A file that the plan names cannot be read.
    #[error("{key} in the plan: {} cannot be read: {error}", .file.display())]
    File {
        /// The plan's key.
        key: &'static str,
        /// Which.
        file: PathBuf,
        /// Why not.
        error: io::Error,
    },
    /// The password file has a bad line.
    #[error("[mqtt] password_file in the plan: {error}")]
    Users {
        /// Which line.
        error: UsersError,
    },
    /// The PIN file holds no hash.
    #[error(
        "[web] pin_file in the plan: {} holds no argon2 hash; make it with 'taillamp init'",
        .file.display()
    )]
    Pin {
        /// Which.
        file: PathBuf,
    },
    /// Certificate or key cannot be used.
    #[error("[web] tls in the plan: {problem}; give PEM files of a certificate and its key")]
    Tls {
        /// Why not.
        problem: String,
    },
    /// The broker's address cannot be used.
    #[error("[mqtt] url in the plan: {error}")]
    Url {
        /// Why not.
        error: AddressError,
    },
    /// The journal cannot be used.
    #[error("[journal] path in the plan: {error}")]
    Journal {
        /// Why not.
        error: OpenError,
    },
    /// The system gives no randomness, or a metric is wrong.
    #[error("the daemon cannot be set up: {0}")]
    Setup(String),
}

/// How the daemon's own client reaches the broker.
#[derive(Clone, Debug)]
pub(super) struct Way {
    pub(super) url: String,
    pub(super) user: Option<String>,
    pub(super) password: Option<String>,
    pub(super) ca_file: Option<PathBuf>,
}

const WEB: &str = "[web] listen";
const MQTT: &str = "[mqtt] listen";

fn listen_error(key: &'static str, address: SocketAddr, error: io::Error) -> StartError {
    if error.kind() == io::ErrorKind::AddrInUse {
        StartError::PortTaken { key, address }
    } else {
        StartError::Listen {
            key,
            address,
            error,
        }
    }
}

/// Listens for the page.
pub(super) async fn listen(web: &Web) -> Result<TcpListener, StartError> {
    TcpListener::bind(web.listen)
        .await
        .map_err(|error| listen_error(WEB, web.listen, error))
}

/// Opens the journal, where one is wanted, and what an earlier run has left in it.
pub(super) fn journal(
    keep: Option<Keep>,
    clock: &Clock,
    metrics: &Metrics,
) -> Result<(Option<Journal>, Left), StartError> {
    let Some(keep) = keep else {
        return Ok((None, Left::default()));
    };
    let (journal, left) = Journal::open(keep, clock.clone(), metrics.journal.clone())
        .map_err(|error| StartError::Journal { error })?;
    Ok((Some(journal), left))
}

/// Starts the embedded broker, where the plan wants it, and tells the way to the broker.
pub(super) fn broker(
    mqtt: &Mqtt,
    rights: &SharedRights,
    retained: Option<RetainedInJournal>,
) -> Result<(Option<Broker>, Way), StartError> {
    match mqtt {
        Mqtt::Embedded {
            listen,
            password_file,
            allow_anonymous,
            ..
        } => {
            let mut config = BrokerConfig::new(*listen);
            config.retained = retained.map(|store| Arc::new(store) as Arc<dyn RetainedStore>);
            let (mut user, mut password) = (None, None);
            if let Some(file) = password_file {
                let text = read("[mqtt] password_file", file)?;
                let mut users = Users::parse(&text).map_err(|error| StartError::Users { error })?;
                let own = random_password();
                users
                    .add(OWN_USER, &own)
                    .map_err(|error| StartError::Setup(error.to_string()))?;
                config.users = users;
                config.allow_anonymous = *allow_anonymous;
                config.permit = Some(permit(rights.clone()));
                (user, password) = (Some(OWN_USER.to_owned()), Some(own));
            }
            let broker =
                Broker::start(config).map_err(|error| listen_error(MQTT, *listen, error))?;
            let url = format!("mqtt://{}", reach(broker.addr()));
            Ok((
                Some(broker),
                Way {
                    url,
                    user,
                    password,
                    ca_file: None,
                },
            ))
        }
        Mqtt::External {
            url,
            user,
            password_file,
            ca_file,
            ..
        } => {
            let password = match password_file {
                Some(file) => Some(read("[mqtt] password_file", file)?.trim_end().to_owned()),
                None => None,
            };
            let (url, user, ca_file) = (url.clone(), user.clone(), ca_file.clone());
            Ok((
                None,
                Way {
                    url,
                    user,
                    password,
                    ca_file,
                },
            ))
        }
    }
}

/// Who may publish what, as the plan has it.
pub(super) fn rights(plan: &Plan) -> SharedRights {
    Arc::new(RwLock::new(rights_of(plan)))
}

/// A broker elsewhere looks after that itself.
pub(super) fn rights_of(plan: &Plan) -> Rights {
    match plan.mqtt {
        Mqtt::Embedded { .. } => Rights::new(plan),
        Mqtt::External { .. } => Rights::default(),
    }
}

/// What the daemon reports is the daemon's to report, and what a board carries is the board's: a
/// device that could write there could tell everybody that points are free.
fn permit(rights: SharedRights) -> Permit {
    Arc::new(move |user, action, topic| match action {
        Action::Subscribe => true,
        Action::Publish => rights
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .may_publish(user, topic),
    })
}

/// How to reach a listener from this computer.
#[must_use]
pub fn reach(listener: SocketAddr) -> SocketAddr {
    let ip = match listener.ip() {
        ip if !ip.is_unspecified() => ip,
        IpAddr::V4(_) => Ipv4Addr::LOCALHOST.into(),
        IpAddr::V6(_) => Ipv6Addr::LOCALHOST.into(),
    };
    SocketAddr::new(ip, listener.port())
}

fn random_password() -> String {
    let mut bytes = [0_u8; 16];
    OsRng.fill_bytes(&mut bytes);
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A number that differs from start to start, with room for the changes of many evenings above it,
/// and exact as a JavaScript number.
pub(super) fn stream_base() -> u64 {
    u64::from(OsRng.next_u32() >> 13) << 33
}

/// The PIN's hash, where the plan names a file.
pub(super) fn pin(web: &Web) -> Result<Option<String>, StartError> {
    let Some(file) = &web.pin_file else {
        return Ok(None);
    };
    let hash = read("[web] pin_file", file)?.trim().to_owned();
    if !hash.starts_with("$argon2") || PasswordHash::new(&hash).is_err() {
        return Err(StartError::Pin { file: file.clone() });
    }
    Ok(Some(hash))
}

/// Certificate and key, where the plan names them.
pub(super) fn tls(web: &Web) -> Result<Option<TlsAcceptor>, StartError> {
    let Some((cert, key)) = &web.tls else {
        return Ok(None);
    };
    let wrong = |problem: String| StartError::Tls { problem };
    let in_file =
        |file: &Path, error: &dyn std::fmt::Display| wrong(format!("{}: {error}", file.display()));
    let chain = CertificateDer::pem_file_iter(cert)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|error| in_file(cert, &error))?;
    let private = PrivateKeyDer::from_pem_file(key).map_err(|error| in_file(key, &error))?;
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| wrong(error.to_string()))?
        .with_no_client_auth()
        .with_single_cert(chain, private)
        .map_err(|error| wrong(error.to_string()))?;
    Ok(Some(TlsAcceptor::from(Arc::new(config))))
}

fn read(key: &'static str, file: &Path) -> Result<String, StartError> {
    let wrong = |error| StartError::File {
        key,
        file: file.to_owned(),
        error,
    };
    let length = std::fs::metadata(file).map_err(wrong)?.len();
    if length > SECRET_BYTES_MAX {
        return Err(wrong(io::Error::other(
            "it is too long for what it should hold",
        )));
    }
    std::fs::read_to_string(file).map_err(wrong)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bases_are_exact_in_javascript_and_leave_room() {
        for _ in 0..100 {
            let base = stream_base();
            assert!(base + (1 << 33) <= 1 << 53, "{base}");
            assert_eq!(base % (1 << 33), 0);
        }
    }

    #[test]
    fn a_listener_on_every_address_is_reached_on_loopback() {
        let reach = |address: &str| reach(address.parse().expect("an address")).to_string();
        assert_eq!(reach("0.0.0.0:1883"), "127.0.0.1:1883");
        assert_eq!(reach("[::]:1883"), "[::1]:1883");
        assert_eq!(reach("192.0.2.7:1883"), "192.0.2.7:1883");
    }
}
