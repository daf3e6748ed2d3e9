//! Man pages and shell completions, made from the program's own commands.
//!
//! `cargo run --example manual -- FOLDER` writes `man1/`, `bash/`, `zsh/` and `fish/` into FOLDER.
//! An example of cargo's, so that what makes them is no part of the program.

use std::error::Error;
use std::fs;
use std::path::Path;

use clap::{Command, CommandFactory};
use clap_complete::{Shell, generate_to};
use clap_mangen::Man;

/// The demo's words: only their description counts here.
#[path = "../simulator/src/bin/demo/words.rs"]
#[allow(dead_code)]
mod demo;

/// What man pages say at their end.
const FILES: &str = "\
.SH FILES
.TP
/etc/taillamp/plan.toml
the plan that the service runs
.TP
/etc/default/taillamp
options of the service
.TP
/var/lib/taillamp
what the service remembers
.SH EXIT STATUS
0 fine, 1 the input is wrong, 2 the command's words are wrong, 3 a condition is not met (not lined
up), 4 something could not be reached.
.SH CAUTION
A hobby aid for indoor model layouts, not a safety system. It watches and warns; it moves nothing.
Look before you move.
.SH SEE ALSO
README.md in /usr/share/doc/taillamp, systemctl(1), mosquitto.conf(5)
";

fn main() -> Result<(), Box<dyn Error>> {
    let folder = std::env::args_os()
        .nth(1)
        .ok_or("give the folder that they go into")?;
    let folder = Path::new(&folder);
    let mut command = taillamp::cli::command();
    command.build();
    let pages = folder.join("man1");
    fs::create_dir_all(&pages)?;
    page(&pages, &command, "taillamp")?;
    for inner in command
        .get_subcommands()
        .filter(|inner| inner.get_name() != "help")
    {
        page(&pages, inner, &format!("taillamp-{}", inner.get_name()))?;
    }
    // The package calls it so: plain `demo` is any program's name.
    page(&pages, &demo::Words::command(), "taillamp-demo")?;
    let mut command = taillamp::cli::command();
    for (shell, name) in [
        (Shell::Bash, "bash"),
        (Shell::Zsh, "zsh"),
        (Shell::Fish, "fish"),
    ] {
        let folder = folder.join(name);
        fs::create_dir_all(&folder)?;
        generate_to(shell, &mut command, "taillamp", &folder)?;
    }
    Ok(())
}

fn page(folder: &Path, command: &Command, name: &str) -> Result<(), Box<dyn Error>> {
    // clap keeps names for the life of the program; this one ends in a moment.
    let kept: &'static str = Box::leak(name.to_owned().into_boxed_str());
    let shown = command
        .clone()
        .name(kept)
        .version(env!("CARGO_PKG_VERSION"));
    let mut text = Vec::new();
    let man = Man::new(shown)
        .title(name.to_uppercase())
        .manual("Taillamp");
    man.source(concat!("taillamp ", env!("CARGO_PKG_VERSION")))
        .render(&mut text)?;
    text.extend_from_slice(FILES.as_bytes());
    fs::write(folder.join(format!("{name}.1")), text)?;
    Ok(())
}
