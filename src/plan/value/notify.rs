//! Addresses of ways out, and times of the day.

use serde_json::{Value as Json, json};
use toml_edit::Item;

use super::network::url;
use super::{Kind, text};
use crate::plan::report::Report;

/// `http://...`, `https://...`, `smtp://host` or `smtps://host`.
pub struct NotifyUrl;

impl Kind for NotifyUrl {
    type Value = String;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<String> {
        let url = url(item, at, key, &["http", "https", "smtp", "smtps"], report)?;
        let rest = url.split_once("://").map_or("", |(_, rest)| rest);
        let authority = rest.split(['/', '?', '#']).next().unwrap_or_default();
        if authority.contains('@') {
            let message = "the address holds a user or password, which others would read";
            let cure = "write `user` and `password_file`, or `token_file`, or keep the whole \
                        address in `url_file`";
            report.error(at, "bad-address", message, cure);
            return None;
        }
        Some(url)
    }

    fn schema() -> Json {
        json!({ "type": "string", "pattern": "^(https?|smtps?)://[^\\s/:?]\\S*$" })
    }
}

/// A time of the day, `22:00`, as minutes.
pub struct ClockTime;

/// The minutes of `22:00`.
fn minutes(text: &str) -> Option<u16> {
    let (hours, minutes) = text.split_once(':')?;
    let two = |text: &str| text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit());
    if !two(hours) || !two(minutes) {
        return None;
    }
    let (hours, minutes) = (hours.parse::<u16>().ok()?, minutes.parse::<u16>().ok()?);
    (hours < 24 && minutes < 60).then_some(hours * 60 + minutes)
}

impl Kind for ClockTime {
    type Value = u16;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<u16> {
        let text = text(item, at, key, "a time of the day in quotes", report)?;
        let minutes = minutes(text);
        if minutes.is_none() {
            let message = format!("`{text}` is not a time of the day");
            report.error(at, "bad-time", message, "write it as \"22:00\"");
        }
        minutes
    }

    fn schema() -> Json {
        json!({ "type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$" })
    }
}

#[cfg(test)]
mod tests {
    use super::minutes;

    #[test]
    fn times_of_the_day() {
        assert_eq!(minutes("00:00"), Some(0));
        assert_eq!(minutes("22:05"), Some(1_325));
        for wrong in ["24:00", "7:00", "22:60", "22", "", "+1:00", "aa:bb"] {
            assert_eq!(minutes(wrong), None, "{wrong}");
        }
    }
}
