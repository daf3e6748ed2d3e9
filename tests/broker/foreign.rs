//! Clients of other makers: mosquitto_pub and mosquitto_sub, and paho-mqtt for Python.
//!
//! They must be installed, so these tests run only where the environment says
//! `TAILLAMP_FOREIGN=1`, and say so where it does not. `TAILLAMP_PYTHON` names a Python that has
//! paho-mqtt (`python3`).

use std::io::Write;
use std::process::{Command, Output, Stdio};

use taillamp::daemon::mqtt::broker::{Broker, BrokerConfig, Users};

use crate::peer::{Peer, anywhere, broker, until};
use rumqttc::mqttbytes::QoS;

/// Whether these tests are asked for; says so on standard error when not.
fn asked(test: &str) -> bool {
    let asked = std::env::var("TAILLAMP_FOREIGN").is_ok_and(|value| value == "1");
    if !asked {
        // Straight to standard error: the harness hides what a passing test prints.
        let line = format!("{test}: not asked for (set TAILLAMP_FOREIGN=1)\n");
        std::io::stderr()
            .write_all(line.as_bytes())
            .expect("standard error is there");
    }
    asked
}

fn command(broker: &Broker, program: &str, args: &[&str]) -> Command {
    let mut command = Command::new(program);
    let port = broker.addr().port().to_string();
    command.args(["-h", "127.0.0.1", "-p", &port]).args(args);
    command
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    command
}

/// Runs a program to its end beside the runtime.
async fn run(mut command: Command, input: Option<String>) -> Output {
    tokio::task::spawn_blocking(move || {
        if input.is_some() {
            command.stdin(Stdio::piped());
        }
        let mut child = command.spawn().expect("the program is installed");
        if let (Some(text), Some(mut pipe)) = (input, child.stdin.take()) {
            pipe.write_all(text.as_bytes()).expect("the program reads");
        }
        child.wait_with_output().expect("the program ends")
    })
    .await
    .expect("no panic")
}

async fn publish(broker: &Broker, args: &[&str]) -> Output {
    run(command(broker, "mosquitto_pub", args), None).await
}

fn lines(output: &Output) -> Vec<String> {
    String::from_utf8_lossy(&output.stdout)
        .lines()
        .map(str::to_owned)
        .collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn mosquitto_clients_at_each_quality() {
    if !asked("mosquitto_clients_at_each_quality") {
        return;
    }
    for qos in ["0", "1", "2"] {
        let broker = broker();
        let format = [
            "-t",
            "wharf/#",
            "-q",
            qos,
            "-C",
            "3",
            "-W",
            "20",
            "-F",
            "%t %p %q %r",
        ];
        let subscriber = tokio::spawn(run(command(&broker, "mosquitto_sub", &format), None));
        until(&broker, "subscribed", |counters| {
            counters.subscriptions == 1
        })
        .await;
        for text in ["1", "2", "3"] {
            let sent = publish(&broker, &["-t", "wharf/ä", "-m", text, "-q", qos, "-r"]).await;
            assert!(sent.status.success(), "{sent:?}");
        }
        let output = subscriber.await.expect("no panic");
        let expected: Vec<_> = (1..=3).map(|n| format!("wharf/ä {n} {qos} 0")).collect();
        assert_eq!(lines(&output), expected, "{output:?}");
        let later = [
            "-t",
            "#",
            "-q",
            qos,
            "-C",
            "1",
            "-W",
            "20",
            "-F",
            "%t %p %q %r",
        ];
        let output = run(command(&broker, "mosquitto_sub", &later), None).await;
        assert_eq!(lines(&output), [format!("wharf/ä 3 {qos} 1")]);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn mosquitto_clients_in_a_burst() {
    const COUNT: usize = 20_000;
    if !asked("mosquitto_clients_in_a_burst") {
        return;
    }
    let broker = broker();
    let count = COUNT.to_string();
    let wanted = ["-t", "t", "-q", "1", "-C", &count, "-W", "60"];
    let subscriber = tokio::spawn(run(command(&broker, "mosquitto_sub", &wanted), None));
    until(&broker, "subscribed", |counters| {
        counters.subscriptions == 1
    })
    .await;
    let text: String = (0..COUNT).map(|number| format!("{number}\n")).collect();
    let source = command(&broker, "mosquitto_pub", &["-t", "t", "-q", "1", "-l"]);
    assert!(run(source, Some(text)).await.status.success());
    let got = lines(&subscriber.await.expect("no panic"));
    let expected: Vec<_> = (0..COUNT).map(|number| number.to_string()).collect();
    assert_eq!(got.len(), COUNT);
    assert!(got == expected, "in order");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn mosquitto_clients_sessions_and_wills() {
    if !asked("mosquitto_clients_sessions_and_wills") {
        return;
    }
    let broker = broker();
    let stays = ["-t", "t", "-q", "1", "-c", "-i", "stays"];
    let first = [&stays[..], &["-E"]].concat();
    assert!(
        run(command(&broker, "mosquitto_sub", &first), None)
            .await
            .status
            .success()
    );
    assert!(
        publish(&broker, &["-t", "t", "-q", "1", "-m", "missed"])
            .await
            .status
            .success()
    );
    let second = [&stays[..], &["-C", "1", "-W", "20"]].concat();
    let output = run(command(&broker, "mosquitto_sub", &second), None).await;
    assert_eq!(lines(&output), ["missed"]);

    let mut watcher = Peer::clean(&broker, "watcher").await;
    watcher.subscribe("will", QoS::AtMostOnce).await;
    let before = broker.counters().subscriptions;
    let will = [
        "-t",
        "x",
        "--will-topic",
        "will",
        "--will-payload",
        "gone",
        "--will-qos",
        "1",
    ];
    let mut child = command(&broker, "mosquitto_sub", &will)
        .spawn()
        .expect("it is installed");
    until(&broker, "subscribed", |counters| {
        counters.subscriptions == before + 1
    })
    .await;
    child.kill().expect("it runs");
    child.wait().expect("it has ended");
    assert_eq!(watcher.text().await, "gone");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn mosquitto_clients_that_are_refused() {
    if !asked("mosquitto_clients_that_are_refused") {
        return;
    }
    let mut users = Users::default();
    users.add("esp-3", "signal box").expect("randomness");
    let config = BrokerConfig {
        users,
        allow_anonymous: false,
        ..anywhere()
    };
    let broker = Broker::start(config).expect("a free port");
    let message = ["-t", "t", "-q", "1", "-m", "x"];
    let with = |more: &[&'static str]| [&message[..], more].concat();
    let good = with(&["-u", "esp-3", "-P", "signal box"]);
    assert!(publish(&broker, &good).await.status.success());
    let bad = with(&["-u", "esp-3", "-P", "wrong"]);
    for args in [bad, with(&[]), with(&["-V", "5"]), with(&["-V", "mqttv31"])] {
        let output = publish(&broker, &args).await;
        assert!(!output.status.success(), "{args:?}");
        let said = String::from_utf8_lossy(&output.stderr).to_lowercase();
        assert!(
            said.contains("refused") || said.contains("protocol"),
            "{args:?}: {said}"
        );
    }
    until(&broker, "each is counted", |counters| counters.refused == 4).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn paho() {
    if !asked("paho") {
        return;
    }
    let broker = broker();
    let python = std::env::var("TAILLAMP_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let mut command = Command::new(python);
    command.arg(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/broker/paho_cases.py"
    ));
    command.arg(broker.addr().port().to_string());
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let output = run(command, None).await;
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let cases = lines(&output);
    // The script names each case that it has passed; none may go missing.
    assert_eq!(cases.len(), 9, "{cases:?}");
    assert_eq!(broker.counters().dropped, 0);
}
