//! The vacant and the occupied stretch, live: asks for one and the other, and listens meanwhile.
//!
//! Inputs: the plan's broker, the operator's Enter. Outputs: the same samples as a recording gives.
//! With a number of seconds for both stretches nothing is asked.

use std::time::Duration;

use super::collect::{Collector, Heard, Pair, Which};
use super::stretch::Given;
use super::{Args, Exit};
use crate::cli::ear::{self, Ear};
use crate::cli::prompt::{Lines, say};
use crate::daemon::mqtt::client::Arrival;
use crate::daemon::topics;
use crate::engine::ids::DetectorId;
use crate::plan::Plan;

/// How long a stretch is where nothing is said, seconds.
const STRETCH_S: f64 = 30.0;

/// Why there are no samples.
pub enum Failure {
    /// Said already.
    Exit(Exit),
    /// In one line.
    Why(String),
}

/// How long each stretch is, and whether to ask before it.
struct Course {
    seconds: [f64; 2],
    asks: bool,
    between: f64,
}

impl Course {
    fn of(args: &Args) -> Self {
        let seconds = |given: Option<Given>| match given {
            Some(Given::Seconds(seconds)) => seconds,
            Some(Given::Part(_)) | None => STRETCH_S,
        };
        Self {
            seconds: [seconds(args.vacant), seconds(args.occupied)],
            asks: args.ask || args.vacant.is_none() || args.occupied.is_none(),
            between: args.between,
        }
    }
}

/// Listens for both stretches.
///
/// # Errors
/// No broker, the broker lost meanwhile, a payload that cannot be read, the input at its end.
pub fn gather(plan: &Plan, args: &Args, chosen: &[DetectorId]) -> Result<Vec<Pair>, Failure> {
    let runtime = ear::runtime().map_err(Failure::Exit)?;
    runtime.block_on(async {
        let filters = topics::incoming(plan, false);
        let ear = Ear::open(plan, &args.login, filters)
            .await
            .map_err(Failure::Exit)?;
        let mut listening = Listening {
            ear,
            collector: Collector::new(plan, chosen),
            lines: None,
        };
        let names: Vec<&str> = args.detector.iter().map(String::as_str).collect();
        let done = listening.run(&Course::of(args), &names.join(", ")).await;
        listening.ear.close().await;
        done.map_err(Failure::Why)?;
        Ok(listening.collector.pairs)
    })
}

struct Listening<'a> {
    ear: Ear,
    collector: Collector<'a>,
    lines: Option<Lines>,
}

impl Listening<'_> {
    async fn run(&mut self, course: &Course, names: &str) -> Result<(), String> {
        let [vacant, occupied] = course.seconds;
        if course.asks {
            self.lines = Some(Lines::of_stdin());
            let clear = format!(
                "Take every vehicle off the track of {names}, leave the power on, and press \
                 Enter; then wait {vacant:.0} s."
            );
            self.ask(&clear).await?;
        } else {
            say(&format!("{names}: vacant for {vacant} s"));
        }
        self.listen(vacant, Some(Which::Vacant)).await?;
        self.count(Which::Vacant);
        if course.asks {
            let put = format!(
                "Put one vehicle, the least that must be seen, on the track of {names}, and press \
                 Enter; then wait {occupied:.0} s."
            );
            self.ask(&put).await?;
        } else {
            say(&format!(
                "{names}: put one vehicle on within {} s; then occupied for {occupied} s",
                course.between
            ));
            self.listen(course.between, None).await?;
        }
        self.listen(occupied, Some(Which::Occupied)).await?;
        self.count(Which::Occupied);
        Ok(())
    }

    /// Waits for Enter; what comes meanwhile belongs to no stretch.
    async fn ask(&mut self, words: &str) -> Result<(), String> {
        say(words);
        loop {
            let Some(lines) = self.lines.as_mut() else {
                return Ok(());
            };
            tokio::select! {
                line = lines.next() => {
                    return line.map(|_| ()).ok_or_else(|| {
                        "nobody answers; give --vacant and --occupied in seconds to be asked \
                         nothing".to_owned()
                    });
                }
                arrival = self.ear.next() => {
                    if let Some(arrival) = arrival {
                        take(&mut self.collector, &arrival, None)?;
                    }
                }
            }
        }
    }

    /// Listens for so long.
    async fn listen(&mut self, seconds: f64, which: Option<Which>) -> Result<(), String> {
        let time = Duration::try_from_secs_f64(seconds).unwrap_or_default();
        let end = tokio::time::sleep(time);
        tokio::pin!(end);
        if which.is_some() {
            self.collector.note_power();
        }
        loop {
            tokio::select! {
                () = &mut end => return Ok(()),
                arrival = self.ear.next() => match arrival {
                    Some(arrival) => take(&mut self.collector, &arrival, which)?,
                    None => return Err("the connection to the broker has ended".to_owned()),
                },
            }
        }
    }

    /// Tells how much was heard.
    fn count(&self, which: Which) {
        let heard = self.collector.pairs.iter().map(|pair| match which {
            Which::Vacant => pair.vacant.levels.len(),
            Which::Occupied => pair.occupied.levels.len(),
        });
        let heard: Vec<String> = heard.map(|count| count.to_string()).collect();
        say(&format!("  {} samples", heard.join(", ")));
    }
}

fn take(
    collector: &mut Collector<'_>,
    arrival: &Arrival,
    which: Option<Which>,
) -> Result<(), String> {
    match arrival {
        Arrival::Message {
            at,
            topic,
            payload,
            retained,
        } => {
            let heard = Heard {
                t: at.as_secs_f64(),
                topic,
                payload,
                retained: *retained,
            };
            collector
                .message(heard, which)
                .map_err(|why| format!("{why}; mend what sends it, and begin again"))
        }
        Arrival::Lost { .. } if which.is_some() => {
            Err("the broker was lost while the stretch ran; begin again".to_owned())
        }
        Arrival::Lost { .. } | Arrival::Connected { .. } => Ok(()),
    }
}
