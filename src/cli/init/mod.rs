//! `taillamp init`: four questions, and a first layout that runs.
//!
//! Input: answers, from the terminal or as options. Output: a commented plan, a password file with
//! one user a board, a PIN file; on the terminal, once, the passwords and where the page will be.
//! Nothing that exists is written over without `--force`.

mod answers;
mod first_plan;

use std::io::{IsTerminal as _, Write as _};
use std::net::{Ipv4Addr, SocketAddr};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};
use argon2::password_hash::rand_core::{OsRng, RngCore as _};

use super::{Exit, address};
use crate::daemon::mqtt::broker::Users;
use crate::daemon::mqtt::broker::access::hash;
use answers::Answers;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// What the layout is called
    #[arg(long)]
    name: Option<String>,
    /// Its scale: HO, N, O... or 1:87.1
    #[arg(long)]
    scale: Option<String>,
    /// The boards that carry detectors: ids with commas between, such as board-1,board-2
    #[arg(long)]
    nodes: Option<String>,
    /// The PIN for phones that may change something; chosen at random where none is given
    #[arg(long)]
    pin: Option<String>,
    /// Where the files go
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    dir: PathBuf,
    /// Write over files that exist
    #[arg(long)]
    force: bool,
}

/// The files' names, as the plan has them.
const PLAN: &str = "plan.toml";
const PASSWORDS: &str = "passwords";
const PIN: &str = "pin";
/// The folder of the plan that the service runs.
const SERVICE: &str = "/etc/taillamp";
/// Where the page listens: on the network, because phones are to reach it.
const WEB: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::UNSPECIFIED), 8080);

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    match make(args) {
        Ok(()) => Exit::Fine,
        Err(error) => {
            complain!("{error:#}");
            Exit::Input
        }
    }
}

fn make(args: &Args) -> anyhow::Result<()> {
    let file = |name: &str| args.dir.join(name);
    let files = [file(PLAN), file(PASSWORDS), file(PIN)];
    if let Some(old) = files
        .iter()
        .find(|file| file.exists())
        .filter(|_| !args.force)
    {
        bail!(
            "{} exists: choose another folder with --dir, or add --force",
            old.display()
        );
    }
    let answers = if std::io::stdin().is_terminal() {
        Answers::asked(args)?
    } else {
        Answers::given(args)?
    };
    std::fs::create_dir_all(&args.dir)
        .with_context(|| format!("{}: the folder cannot be made", args.dir.display()))?;

    let mut users = Users::default();
    let mut passwords = Vec::new();
    for node in &answers.nodes {
        let password = random(16);
        users
            .add(node, &password)
            .context("a password cannot be hashed")?;
        passwords.push((node, password));
    }
    let pin = hash(&answers.pin).context("the PIN cannot be hashed")?;
    let [plan, password_file, pin_file] = &files;
    let mut text = first_plan::text(&answers);
    if args
        .dir
        .canonicalize()
        .is_ok_and(|dir| dir == Path::new(SERVICE))
    {
        text.push_str(first_plan::SERVICE_JOURNAL);
    }
    write(plan, &text, args.force, 0o644)?;
    write(password_file, &users.to_text(), args.force, 0o600)?;
    write(pin_file, &format!("{pin}\n"), args.force, 0o600)?;
    tell(plan, &answers, &passwords)
}

/// Tells what was made. Passwords and PIN are shown now and never again: only hashes are kept.
fn tell(plan: &Path, answers: &Answers, passwords: &[(&String, String)]) -> anyhow::Result<()> {
    let page = address::page(WEB, false);
    let mut out = std::io::stdout().lock();
    writeln!(out, "Written: {}, {PASSWORDS}, {PIN}.", plan.display())?;
    writeln!(
        out,
        "\nUsers and passwords for your boards. They are shown only now:"
    )?;
    for (node, password) in passwords {
        writeln!(out, "  {node}  {password}")?;
    }
    writeln!(
        out,
        "\nThe PIN for phones that may change something: {}",
        answers.pin
    )?;
    writeln!(
        out,
        "\nNext:\n  taillamp check --plan {0}\n  taillamp run --plan {0}",
        plan.display()
    )?;
    writeln!(out, "The page will be at {page}")?;
    if let Some(code) = address::qr(&page, out.is_terminal()) {
        writeln!(out, "\n{code}")?;
    }
    Ok(())
}

/// Letters and figures that are not taken for each other.
const LETTERS: &[u8; 32] = b"abcdefghijkmnpqrstuvwxyz23456789";

/// Random characters, 5 bits each.
fn random(characters: usize) -> String {
    let mut bytes = vec![0_u8; characters];
    OsRng.fill_bytes(&mut bytes);
    bytes
        .iter()
        .map(|byte| char::from(LETTERS[usize::from(byte % 32)]))
        .collect()
}

/// Writes a file that only its owner may read where `mode` says so.
fn write(file: &Path, text: &str, force: bool, mode: u32) -> anyhow::Result<()> {
    let name = file.display();
    if force && file.exists() {
        // A file that is written over would keep the rights it had.
        std::fs::remove_file(file).with_context(|| format!("{name}: it cannot be removed"))?;
    }
    let mut open = std::fs::OpenOptions::new();
    open.write(true).create_new(true).mode(mode);
    let mut out = open
        .open(file)
        .with_context(|| format!("{name}: it cannot be written"))?;
    out.write_all(text.as_bytes())
        .with_context(|| format!("{name}: it cannot be written"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passwords_differ_and_use_the_alphabet_evenly() {
        assert_ne!(random(16), random(16));
        assert_eq!(
            256 % LETTERS.len(),
            0,
            "a byte falls on each letter as often"
        );
        assert!(random(200).bytes().all(|byte| LETTERS.contains(&byte)));
    }
}
