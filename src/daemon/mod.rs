//! The shell: the only place with tokio.
