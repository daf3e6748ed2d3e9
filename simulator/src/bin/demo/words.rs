//! What the demo can be told. Its man page is made from this too (deploy/manual.rs).

use clap::Parser;

/// A simulated layout of our own invention, watched by taillamp.
#[derive(Debug, Parser)]
#[command(name = "demo", version)]
pub struct Words {
    /// End by itself after so many seconds.
    #[arg(long)]
    pub seconds: Option<u64>,
    /// The port of the page.
    #[arg(long, default_value_t = 8080)]
    pub port: u16,
    /// The port of the broker, on this computer only.
    #[arg(long, default_value_t = 1883)]
    pub mqtt_port: u16,
    /// Everything that chance decides on the layout.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Make the page reachable from a phone on the same network.
    #[arg(long)]
    pub lan: bool,
}
