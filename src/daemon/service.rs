//! What a service manager is told: that the daemon is ready, that it lives, that it stops.
//!
//! The protocol is sd_notify(3) of systemd, over the socket that the manager names in the
//! environment; without one nothing is said. The watchdog hears from us only while the engine's
//! loop turns: a daemon that shows old state is ended and started again.

use std::sync::Arc;
use std::time::Duration;

use sd_notify::NotifyState;
use tokio::task::JoinHandle;

use super::hub::Hub;

/// A manager that was told that the daemon is ready.
#[derive(Debug)]
pub struct Service {
    watchdog: Option<JoinHandle<()>>,
}

impl Service {
    /// Says that the daemon is ready, and from then on that it lives, as often as is wanted.
    #[must_use]
    pub fn ready(hub: &Arc<Hub>, status: &str) -> Self {
        say(&[NotifyState::Ready, NotifyState::Status(status)]);
        let watchdog =
            sd_notify::watchdog_enabled().map(|limit| tokio::spawn(live(Arc::clone(hub), limit)));
        Self { watchdog }
    }

    /// Says that the daemon stops.
    pub fn stopping(&self) {
        say(&[NotifyState::Stopping]);
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        if let Some(watchdog) = &self.watchdog {
            watchdog.abort();
        }
    }
}

/// Three times within the limit, so that one that comes late does no harm.
async fn live(hub: Arc<Hub>, limit: Duration) {
    let mut turn = tokio::time::interval((limit / 3).max(Duration::from_millis(1)));
    loop {
        turn.tick().await;
        if hub.is_alive() {
            say(&[NotifyState::Watchdog]);
        } else {
            tracing::error!("the engine's loop stands still; the watchdog is not told otherwise");
        }
    }
}

fn say(what: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(what) {
        tracing::warn!(%error, "the service manager does not listen");
    }
}
