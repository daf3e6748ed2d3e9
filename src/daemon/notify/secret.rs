//! Secrets: read where they are kept each time they are needed, so that a new one counts at once.
//! No error repeats one.

use super::Failure;
use crate::plan::notify::{Secret, Text};

/// The longest secret.
const BYTES_MAX: u64 = 64 * 1_024;

/// A text that may be kept elsewhere.
pub(super) async fn text(text: &Text) -> Result<String, Failure> {
    match text {
        Text::Written(text) => Ok(text.clone()),
        Text::Kept(kept) => read(kept).await,
    }
}

/// A secret, without the line end of its file.
pub(super) async fn read(secret: &Secret) -> Result<String, Failure> {
    match secret {
        Secret::File(file) => {
            let text = lines(file).await?;
            Ok(text.trim().to_owned())
        }
        Secret::Env(name) => std::env::var(name)
            .map(|text| text.trim().to_owned())
            .map_err(|_| Failure::for_now(format!("the environment has no {name}"))),
    }
}

/// A file of secrets, whole.
pub(super) async fn lines(file: &std::path::Path) -> Result<String, Failure> {
    let wrong = |error: std::io::Error| {
        Failure::for_now(format!("{} cannot be read: {error}", file.display()))
    };
    let length = tokio::fs::metadata(file).await.map_err(wrong)?.len();
    if length > BYTES_MAX {
        return Err(Failure::for_now(format!("{} is too long", file.display())));
    }
    tokio::fs::read_to_string(file).await.map_err(wrong)
}
