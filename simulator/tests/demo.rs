//! The demo's program from outside: its words, its ends, its exit codes (the contract, sections 1,
//! 2).

use std::net::TcpListener;
use std::process::{Command, Output};

fn demo(words: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_demo"));
    command.args(words).output().expect("the demo can be run")
}

#[test]
fn it_ends_by_itself_and_has_told_where_the_page_is() {
    let output = demo(&["--seconds", "2", "--port", "0", "--mqtt-port", "0"]);
    let told = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    assert!(told.contains("http://127.0.0.1:"), "{told}");
    assert!(told.contains("not a safety system"), "{told}");
}

#[test]
fn a_taken_port_is_told_by_the_option_that_chooses_another() {
    let taken = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let port = taken.local_addr().expect("it is bound").port().to_string();
    for (words, option) in [
        (["--port", &port, "--mqtt-port", "0"], "--port"),
        (["--port", "0", "--mqtt-port", &port], "--mqtt-port"),
    ] {
        let output = demo(&[&["--seconds", "60"][..], &words[..]].concat());
        let told = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(4), "{output:?}");
        assert_eq!(told.lines().count(), 1, "{told}");
        assert!(
            told.contains(&port) && told.contains(&format!("({option})")),
            "{told}"
        );
    }
}

#[test]
fn a_word_that_it_does_not_know_is_a_usage_error() {
    assert_eq!(demo(&["--loud"]).status.code(), Some(2));
}
