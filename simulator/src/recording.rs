//! A session as a recording: the contract's JSON lines (section 6).
//!
//! Input: messages in order of arrival. Output: one line each, `t` with three decimals, never
//! falling. The first line lets the engine start at zero.

use serde_json::Value;
use taillamp::engine::layout::Layout;
use taillamp::engine::time::Instant;

use crate::mishaps::Rates;
use crate::network::Message;
use crate::operator::demo::Missing;
use crate::session::Session;
use crate::world::Settings;

/// One message as a line, without its line end.
#[must_use]
pub fn line(message: &Message) -> String {
    let topic = Value::String(message.topic.clone());
    // A payload that is JSON stands as it is; any other stands as a string.
    let payload = match serde_json::from_str::<Value>(&message.payload) {
        Ok(Value::Array(_) | Value::Object(_)) => message.payload.clone(),
        Ok(_) | Err(_) => Value::String(message.payload.clone()).to_string(),
    };
    format!(
        r#"{{"t":{},"topic":{topic},"payload":{payload}}}"#,
        message.at
    )
}

/// The whole recording of a session on the demo's layout.
///
/// # Errors
/// The first id of the demo's plan that this layout lacks.
pub fn record(
    layout: &Layout,
    prefix: &str,
    settings: Settings,
    rates: Rates,
    seconds: u64,
) -> Result<Vec<String>, Missing> {
    let end = Instant(seconds.saturating_mul(1_000_000));
    let mut session = Session::new(layout, prefix, settings, rates)?;
    let mut lines = vec![format!(r#"{{"t":{}}}"#, Instant(0))];
    lines.extend(session.run_to(end).iter().map(line));
    lines.push(format!(r#"{{"t":{end}}}"#));
    Ok(lines)
}
