//! `taillamp export`: events of the journal as a table, for programs that read tables.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::PathBuf;

use super::Exit;
use super::journal::{self, Range};
use crate::daemon::journal::past::{self, PastError};
use crate::wire::history_json::{CSV_HEAD, csv_line};

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    #[command(flatten)]
    range: Range,
    /// Where the table goes; - is standard output
    #[arg(short, long, value_name = "FILE.csv")]
    output: PathBuf,
}

/// Why there is no table, or half of one.
#[derive(Debug, thiserror::Error)]
enum Problem {
    #[error(transparent)]
    Past(#[from] PastError),
    #[error("the table cannot be written: {0}")]
    Write(#[from] io::Error),
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    match journal::open(&args.plan, &args.range) {
        Err(exit) => exit,
        Ok(opened) => match write(args, &opened) {
            Ok(()) => Exit::Fine,
            // Whoever reads the output has seen enough.
            Err(Problem::Write(error)) if error.kind() == io::ErrorKind::BrokenPipe => Exit::Fine,
            Err(error) => {
                complain!("{error}");
                Exit::Input
            }
        },
    }
}

fn write(args: &Args, opened: &journal::Opened) -> Result<(), Problem> {
    let to: Box<dyn Write> = if args.output.as_os_str() == "-" {
        Box::new(io::stdout())
    } else {
        Box::new(File::create(&args.output)?)
    };
    let mut out = BufWriter::new(to);
    out.write_all(CSV_HEAD.as_bytes())?;
    let past = &opened.past;
    let mut written = Ok(());
    for boot in past.boots_between(opened.from_us, opened.to_us) {
        let first = past.row_after(boot, boot.ms_of(opened.from_us.saturating_sub(1)))?;
        let end = past.row_after(boot, boot.ms_of(opened.to_us))?;
        past.rows(first, end, None, &mut |found| {
            if !found.difference {
                let line = csv_line(&past::event(boot, &found));
                written = out.write_all(line.as_bytes());
            }
            written.is_ok()
        })?;
    }
    written?;
    out.flush()?;
    Ok(())
}
