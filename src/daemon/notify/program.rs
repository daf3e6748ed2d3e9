//! A warning by a program of this computer. No shell reads the arguments.

use std::process::Stdio;
use std::time::Duration;

use tokio::io::AsyncReadExt as _;
use tokio::process::Command;

use super::Failure;
use super::notice::{Form, Notice};

/// What is told of a program's complaint.
const COMPLAINT_BYTES_MAX: u64 = 400;

/// Whether there is such a program.
pub(super) async fn look(command: &[String]) -> Result<(), Failure> {
    let program = command.first().map_or("", String::as_str);
    let folders = std::env::var_os("PATH").unwrap_or_default();
    let found = if program.contains('/') {
        tokio::fs::metadata(program).await.is_ok()
    } else {
        std::env::split_paths(&folders).any(|folder| folder.join(program).is_file())
    };
    if found {
        Ok(())
    } else {
        Err(Failure::for_now(format!("there is no program `{program}`")))
    }
}

/// Arguments, filled. What an alarm says must not become an option: an argument that begins with a
/// template never begins with a hyphen.
fn arguments(templates: &[String], notice: &Notice) -> Vec<String> {
    templates
        .iter()
        .map(|template| {
            let filled = notice.fill(template, Form::Line);
            if template.starts_with("{{") && filled.starts_with('-') {
                format!(" {filled}")
            } else {
                filled
            }
        })
        .collect()
}

/// Runs it to its end, which must be good. `secrets`: variables that it does not get.
pub(super) async fn run(
    command: &[String],
    time_limit: Duration,
    secrets: &[String],
    notice: &Notice,
) -> Result<(), Failure> {
    let Some((program, templates)) = command.split_first() else {
        return Err(Failure::for_good("there is no program to run"));
    };
    let mut process = Command::new(program);
    process
        .args(arguments(templates, notice))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .kill_on_drop(true);
    for secret in secrets {
        process.env_remove(secret);
    }
    let mut child = process
        .spawn()
        .map_err(|error| Failure::for_now(format!("{program} cannot be started: {error}")))?;
    let complaints = child.stderr.take();
    let end = tokio::time::timeout(time_limit, async {
        let mut said = Vec::new();
        if let Some(complaints) = complaints {
            let mut first = complaints.take(COMPLAINT_BYTES_MAX);
            // What cannot be read is not told.
            let _ = first.read_to_end(&mut said).await;
            // The rest is thrown away, so that the program does not wait for a reader.
            let mut rest = first.into_inner();
            let _ = tokio::io::copy(&mut rest, &mut tokio::io::sink()).await;
        }
        (child.wait().await, said)
    });
    match end.await {
        Ok((Ok(status), _)) if status.success() => Ok(()),
        Ok((Ok(status), said)) => {
            let said = String::from_utf8_lossy(&said);
            let line = said.lines().next().unwrap_or_default();
            Err(Failure::for_now(format!(
                "{program} ended with {status}: {line}"
            )))
        }
        Ok((Err(error), _)) => Err(Failure::for_now(format!("{program}: {error}"))),
        // Dropping it has ended it.
        Err(_) => Err(Failure::for_now(format!(
            "{program} ran for longer than {} s and was ended",
            time_limit.as_secs_f64()
        ))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::daemon::notify::notice::trial;

    #[test]
    fn what_an_alarm_says_is_never_an_option() {
        let mut notice = trial("Wharf", "wharf", 0);
        notice.alarm.text = "--exec=rm -rf ; \n$(true)".to_owned();
        let templates = ["{{text}}", "-t", "x {{text}}"].map(str::to_owned);
        assert_eq!(
            arguments(&templates, &notice),
            [
                " --exec=rm -rf ;  $(true)",
                "-t",
                "x --exec=rm -rf ;  $(true)"
            ]
        );
    }

    #[tokio::test]
    async fn a_program_that_does_not_end_is_ended() {
        let command = ["sleep".to_owned(), "600".to_owned()];
        let notice = trial("Wharf", "wharf", 0);
        let result = run(&command, Duration::from_millis(50), &[], &notice).await;
        let failure = result.expect_err("it did not end");
        assert!(failure.text.contains("was ended"), "{}", failure.text);
    }

    #[tokio::test]
    async fn a_program_that_fails_says_why() {
        let command = ["ls", "/no-such-place"].map(str::to_owned);
        let notice = trial("Wharf", "wharf", 0);
        let result = run(&command, Duration::from_secs(10), &[], &notice).await;
        let failure = result.expect_err("there is no such place");
        assert!(failure.text.contains("no-such-place"), "{}", failure.text);
        assert!(!failure.for_good);
    }
}
