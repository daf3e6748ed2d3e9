//! Who may connect, and who may publish and subscribe to what.
//!
//! In: names, passwords, topics. Out: yes or no. Passwords are kept as argon2 hashes only;
//! checking one is slow by design, so it runs beside the runtime, two at a time.

use std::collections::HashMap;
use std::fmt;
use std::sync::Arc;

use argon2::Argon2;
use argon2::password_hash::rand_core::OsRng;
use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use tokio::sync::Semaphore;

/// How many passwords are checked at a time: each takes 19 MB of memory and a core meanwhile.
const CHECKS_MAX: usize = 2;

/// Most users of one broker.
const USERS_MAX: usize = 10_000;

/// What a client wants to do with a topic or filter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    /// Send a message to this topic.
    Publish,
    /// Get messages of this filter.
    Subscribe,
}

/// Decides whether a user (`None`: anonymous) may do something with a topic or filter.
pub type Permit = Arc<dyn Fn(Option<&str>, Action, &str) -> bool + Send + Sync>;

/// Users and the hashes of their passwords.
#[derive(Clone, Default)]
pub struct Users {
    hashes: HashMap<String, String>,
}

/// What is wrong with a password file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("password file, line {line}: {problem}")]
pub struct UsersError {
    /// Which line, from 1.
    pub line: usize,
    /// What is wrong with it, and the cure.
    pub problem: &'static str,
}

impl Users {
    /// Reads a password file: one `user:hash` a line, the hash in argon2's own text form. Empty
    /// lines and lines that begin with `#` are passed over.
    ///
    /// # Errors
    /// The first line that is not such a line. No password and no hash appears in it.
    pub fn parse(text: &str) -> Result<Self, UsersError> {
        let mut users = Self::default();
        for (line, text) in (1..).zip(text.lines()) {
            let text = text.trim();
            if text.is_empty() || text.starts_with('#') {
                continue;
            }
            let wrong = |problem| Err(UsersError { line, problem });
            let Some((user, hash)) = text.split_once(':') else {
                return wrong("no colon; write 'user:hash'");
            };
            if user.is_empty() {
                return wrong("no user before the colon");
            }
            if !hash.starts_with("$argon2") || PasswordHash::new(hash).is_err() {
                return wrong("not an argon2 hash; make the file with 'taillamp init'");
            }
            if users.hashes.len() >= USERS_MAX {
                return wrong("too many users");
            }
            if users
                .hashes
                .insert(user.to_owned(), hash.to_owned())
                .is_some()
            {
                return wrong("a user that an earlier line has already; remove one of them");
            }
        }
        Ok(users)
    }

    /// Adds a user with a password, which is hashed and not kept.
    ///
    /// # Errors
    /// When the system has no randomness to give, or the password is longer than argon2 takes.
    pub fn add(&mut self, user: &str, password: &str) -> Result<(), argon2::password_hash::Error> {
        self.hashes.insert(user.to_owned(), hash(password)?);
        Ok(())
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.hashes.is_empty()
    }

    /// The lines of a password file, by user.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut lines: Vec<_> = self
            .hashes
            .iter()
            .map(|(u, h)| format!("{u}:{h}\n"))
            .collect();
        lines.sort();
        lines.concat()
    }

    fn verify(&self, user: &str, password: &str) -> bool {
        // A stranger's name takes as long as a known one with a wrong password, where there is a
        // hash to compare with: the time of the answer does not tell which names exist.
        let known = self.hashes.get(user);
        let Some(hash) = known.or_else(|| self.hashes.values().next()) else {
            return false;
        };
        let matches = PasswordHash::new(hash).is_ok_and(|hash| {
            Argon2::default()
                .verify_password(password.as_bytes(), &hash)
                .is_ok()
        });
        matches && known.is_some()
    }
}

impl fmt::Debug for Users {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_set().entries(self.hashes.keys()).finish()
    }
}

/// An argon2 hash of a password, with a salt of its own, in argon2's text form.
///
/// # Errors
/// When the system has no randomness to give, or the password is longer than argon2 takes.
pub fn hash(password: &str) -> Result<String, argon2::password_hash::Error> {
    let salt = SaltString::generate(&mut OsRng);
    Ok(Argon2::default()
        .hash_password(password.as_bytes(), &salt)?
        .to_string())
}

/// The door.
pub(super) struct Access {
    users: Arc<Users>,
    allow_anonymous: bool,
    permit: Option<Permit>,
    checks: Semaphore,
}

impl Access {
    pub(super) fn new(users: Users, allow_anonymous: bool, permit: Option<Permit>) -> Self {
        let checks = Semaphore::new(CHECKS_MAX);
        Self {
            users: Arc::new(users),
            allow_anonymous,
            permit,
            checks,
        }
    }

    /// Who this is, `Some(None)` for an anonymous client; `None`: not let in.
    ///
    /// A name given where there are no users at all is taken as it is: the network is trusted
    /// then.
    pub(super) async fn admit(&self, login: Option<(String, String)>) -> Option<Option<String>> {
        let Some((user, password)) = login else {
            return self.allow_anonymous.then_some(None);
        };
        if self.users.is_empty() {
            return self.allow_anonymous.then_some(Some(user));
        }
        let _turn = self.checks.acquire().await.ok()?;
        let users = Arc::clone(&self.users);
        let check = move || users.verify(&user, &password).then_some(user);
        tokio::task::spawn_blocking(check).await.ok()?.map(Some)
    }

    pub(super) fn may_publish(&self, user: Option<&str>, topic: &str) -> bool {
        self.permits(user, Action::Publish, topic)
    }

    pub(super) fn may_subscribe(&self, user: Option<&str>, filter: &str) -> bool {
        self.permits(user, Action::Subscribe, filter)
    }

    fn permits(&self, user: Option<&str>, action: Action, topic: &str) -> bool {
        self.permit
            .as_ref()
            .is_none_or(|permit| permit(user, action, topic))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_file_comes_back_as_it_was() {
        let mut users = Users::default();
        users.add("esp-3", "signal box").expect("randomness");
        let text = format!("# nodes\n\n{}", users.to_text());
        let read = Users::parse(&text).expect("a good file");
        assert!(read.verify("esp-3", "signal box"));
        assert!(!read.verify("esp-3", "Signal box"));
        assert!(
            !read.verify("esp-4", "signal box"),
            "a stranger with somebody's password"
        );
        assert!(
            !format!("{read:?}").contains("argon2"),
            "hashes are not shown"
        );
    }

    #[test]
    fn a_bad_line_is_named_without_its_secret() {
        for (text, line) in [("x\n", 1), ("\n:$argon2id$x", 2), ("a:plain-secret", 1)] {
            let error = Users::parse(text).expect_err(text);
            assert_eq!(error.line, line);
            assert!(!error.to_string().contains("plain-secret"));
        }
        let mut users = Users::default();
        users.add("a", "b").expect("randomness");
        let twice = users.to_text().repeat(2);
        assert_eq!(Users::parse(&twice).expect_err("a user twice").line, 2);
    }
}
