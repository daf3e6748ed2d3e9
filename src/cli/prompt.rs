//! Answers from the terminal while messages go on coming: lines of standard input, one at a time.

use std::io::{BufRead as _, Write as _};

use tokio::sync::mpsc;

/// Lines that may wait; whoever types is slower.
const LINES_MAX: usize = 64;

/// The lines of standard input.
pub(super) struct Lines {
    lines: mpsc::Receiver<String>,
}

impl Lines {
    /// Reads on a thread of its own: standard input can only be waited for by blocking. The thread
    /// ends with the input or with the program.
    pub(super) fn of_stdin() -> Self {
        let (sender, lines) = mpsc::channel(LINES_MAX);
        std::thread::spawn(move || {
            for line in std::io::stdin().lock().lines() {
                let Ok(line) = line else { return };
                if sender.blocking_send(line).is_err() {
                    return;
                }
            }
        });
        Self { lines }
    }

    /// The next line without its blanks; `None` at the end of the input. Cancelling loses nothing.
    pub(super) async fn next(&mut self) -> Option<String> {
        self.lines.recv().await.map(|line| line.trim().to_owned())
    }
}

/// Says something to whoever sits at the terminal. Results go to standard output, so this does not.
pub(super) fn say(text: &str) {
    // Nobody reads any more: that is no reason to stop measuring.
    let _ = writeln!(std::io::stderr(), "{text}");
}
