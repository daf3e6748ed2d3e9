//! The PIN: who may change something.
//!
//! Where the plan names a `pin_file`, what changes something needs a session. The right PIN gives
//! one, as a cookie that no script can read and no other site can send. Wrong PINs cost time: after
//! [`FREE_TRIES`] in a row each further one must wait, twice as long as the one before. The wait is
//! the same for everybody, because on a local network an address is easily changed; who holds a
//! session is not held up by it. Without a `pin_file` everybody may change everything.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use argon2::password_hash::rand_core::{OsRng, RngCore as _};
use argon2::{Argon2, PasswordHash, PasswordVerifier as _};
use axum::http::HeaderMap;
use axum::http::header;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

use crate::engine::time::{Instant, Span};

/// The cookie's name.
const COOKIE: &str = "taillamp";
/// Wrong PINs that cost nothing.
const FREE_TRIES: u32 = 5;
/// The longest wait after a wrong PIN.
const WAIT_MAX: Span = Span::from_secs(60);
/// A session ends after an evening and the night.
const LIFE: Span = Span::from_secs(12 * 3_600);
/// Sessions that may be open at once; a further one ends the oldest.
const SESSIONS_MAX: usize = 64;
/// The longest PIN that is looked at.
const PIN_MAX: usize = 128;

/// The sessions.
#[derive(Debug)]
pub struct Sessions {
    /// The PIN's hash, where one is set.
    hash: Option<String>,
    secure: bool,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    open: VecDeque<(String, Instant)>,
    wrong: u32,
    next_try: Instant,
}

/// What came of a PIN.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Entry {
    /// It was right: the `Set-Cookie` that says so.
    Open(String),
    /// It was wrong.
    Wrong,
    /// Too many were wrong: how long to wait.
    Wait(Span),
}

impl Sessions {
    /// Sessions for a PIN with this hash (PHC string); `secure` where the page is served over TLS.
    #[must_use]
    pub fn new(hash: Option<String>, secure: bool) -> Self {
        Self {
            hash,
            secure,
            state: Mutex::default(),
        }
    }

    /// Whether a PIN is set.
    #[must_use]
    pub fn needed(&self) -> bool {
        self.hash.is_some()
    }

    /// Whether this request may change something.
    #[must_use]
    pub fn holds(&self, headers: &HeaderMap, now: Instant) -> bool {
        if self.hash.is_none() {
            return true;
        }
        let state = self.lock();
        tokens(headers).any(|token| {
            state
                .open
                .iter()
                .any(|(open, since)| open == token && now.since(*since) < LIFE)
        })
    }

    /// Tries a PIN. Takes tens of milliseconds: not for the runtime's own threads.
    #[must_use]
    pub fn enter(&self, pin: &str, now: Instant) -> Entry {
        let Some(hash) = &self.hash else {
            return Entry::Open(String::new());
        };
        {
            // The try is counted before it is made, so that many at once are no way round.
            let mut state = self.lock();
            if now < state.next_try {
                return Entry::Wait(state.next_try.since(now));
            }
            state.wrong = state.wrong.saturating_add(1);
            state.next_try = now.plus(wait_after(state.wrong));
        }
        if !is_right(pin, hash) {
            return Entry::Wrong;
        }
        let mut bytes = [0_u8; 32];
        OsRng.fill_bytes(&mut bytes);
        let token = URL_SAFE_NO_PAD.encode(bytes);
        let mut state = self.lock();
        state.wrong = 0;
        state.next_try = now;
        state.open.retain(|(_, since)| now.since(*since) < LIFE);
        if state.open.len() == SESSIONS_MAX {
            state.open.pop_front();
        }
        state.open.push_back((token.clone(), now));
        Entry::Open(self.cookie(&token, LIFE.0 / 1_000_000))
    }

    /// Ends this request's session; the `Set-Cookie` that says so.
    pub fn leave(&self, headers: &HeaderMap) -> String {
        let mut state = self.lock();
        for token in tokens(headers) {
            state.open.retain(|(open, _)| open != token);
        }
        drop(state);
        self.cookie("", 0)
    }

    fn cookie(&self, token: &str, seconds: u64) -> String {
        let secure = if self.secure { "; Secure" } else { "" };
        format!("{COOKIE}={token}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Strict{secure}")
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// How long the next try must wait after so many wrong ones in a row: 1 s, 2 s, 4 s...
fn wait_after(wrong: u32) -> Span {
    match wrong.checked_sub(FREE_TRIES) {
        None => Span::ZERO,
        Some(over) => Span(
            1_000_000_u64
                .checked_shl(over.min(32))
                .unwrap_or(u64::MAX)
                .min(WAIT_MAX.0),
        ),
    }
}

fn is_right(pin: &str, hash: &str) -> bool {
    if pin.len() > PIN_MAX {
        return false;
    }
    // The hash was read at the start; one that cannot be read lets nobody in.
    PasswordHash::new(hash).is_ok_and(|hash| {
        Argon2::default()
            .verify_password(pin.as_bytes(), &hash)
            .is_ok()
    })
}

/// The session tokens among the cookies.
fn tokens(headers: &HeaderMap) -> impl Iterator<Item = &str> {
    let cookies = headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok());
    let pairs = cookies.flat_map(|value| value.split(';'));
    pairs.filter_map(|pair| pair.trim().strip_prefix(COOKIE)?.strip_prefix('='))
}

#[cfg(test)]
mod tests {
    use argon2::password_hash::SaltString;
    use argon2::{Algorithm, Params, PasswordHasher as _, Version};
    use axum::http::HeaderValue;

    use super::*;

    fn at(seconds: u64) -> Instant {
        Instant::default().plus(Span::from_secs(seconds))
    }

    /// A hash with the least cost that argon2 has, so that many tries are quick.
    fn sessions() -> Sessions {
        let salt = SaltString::encode_b64(b"salt for the test").expect("16 bytes or so");
        let params = Params::new(8, 1, 1, None).expect("the least cost");
        let argon = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
        let hash = argon
            .hash_password(b"2468", &salt)
            .expect("it can be hashed")
            .to_string();
        Sessions::new(Some(hash), false)
    }

    fn with_cookie(set_cookie: &str) -> HeaderMap {
        let pair = set_cookie.split(';').next().expect("a pair");
        let mut headers = HeaderMap::new();
        let value = HeaderValue::from_str(&format!("other=1; {pair}")).expect("a header");
        headers.insert(header::COOKIE, value);
        headers
    }

    #[test]
    fn the_right_pin_opens_a_session_that_ends() {
        let sessions = sessions();
        assert!(!sessions.holds(&HeaderMap::new(), at(0)));
        assert!(!sessions.holds(&with_cookie("taillamp=guess"), at(0)));
        assert!(!sessions.holds(&with_cookie("taillamp="), at(0)));
        let Entry::Open(cookie) = sessions.enter("2468", at(0)) else {
            panic!("the PIN is right")
        };
        assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"));
        let headers = with_cookie(&cookie);
        assert!(sessions.holds(&headers, at(1)));
        assert!(!sessions.holds(&headers, at(12 * 3_600)));
        assert!(sessions.leave(&headers).contains("Max-Age=0"));
        assert!(!sessions.holds(&headers, at(2)));
    }

    #[test]
    fn wrong_pins_cost_more_and_more_time() {
        let sessions = sessions();
        for _ in 0..FREE_TRIES {
            assert_eq!(sessions.enter("0000", at(0)), Entry::Wrong);
        }
        assert_eq!(
            sessions.enter("2468", at(0)),
            Entry::Wait(Span::from_secs(1))
        );
        assert_eq!(sessions.enter("0000", at(1)), Entry::Wrong);
        assert_eq!(
            sessions.enter("2468", at(1)),
            Entry::Wait(Span::from_secs(2))
        );
        assert!(matches!(sessions.enter("2468", at(3)), Entry::Open(_)));
        assert_eq!(
            sessions.enter("0000", at(3)),
            Entry::Wrong,
            "the right one starts afresh"
        );
        assert_eq!(wait_after(1_000), WAIT_MAX);
    }

    #[test]
    fn without_a_pin_everybody_may() {
        let sessions = Sessions::new(None, false);
        assert!(!sessions.needed());
        assert!(sessions.holds(&HeaderMap::new(), at(0)));
    }

    #[test]
    fn a_hash_that_cannot_be_read_lets_nobody_in() {
        let sessions = Sessions::new(Some("2468".into()), false);
        assert_eq!(sessions.enter("2468", at(0)), Entry::Wrong);
    }

    #[test]
    fn the_oldest_session_makes_room() {
        let sessions = sessions();
        let Entry::Open(first) = sessions.enter("2468", at(0)) else {
            panic!("the PIN is right")
        };
        for _ in 0..SESSIONS_MAX {
            assert!(matches!(sessions.enter("2468", at(0)), Entry::Open(_)));
        }
        assert!(!sessions.holds(&with_cookie(&first), at(0)));
    }
}
