"""The configuration for Mosquitto, with a real Mosquitto: users, rights by topic, TLS."""

import json
import shutil
import subprocess

from stand import ROOT, Stand, check, fetch, free_port, must, plan, run, state, until

USERS = {"taillamp": "own secret", "board-1": "signal box", "board-2": "water tower", "sam": "tea"}
CURRENT = '[{{"n":"current","u":"mA","v":{}}}]'


def configured(stand, port):
    """The shipped configuration with this folder in the place of /etc/mosquitto."""
    text = (ROOT / "deploy/mosquitto/taillamp.conf").read_text()
    for old, new in [
        ("/etc/mosquitto/certs", stand.folder / "certs"),
        ("/etc/mosquitto/taillamp.", f"{stand.folder}/taillamp."),
        ("listener 8883\n", f"listener {port} 127.0.0.1\n"),
    ]:
        if old not in text:
            raise AssertionError(f"{old} is not in the configuration")
        text = text.replace(old, str(new))
    # As root it becomes a user that cannot look into this folder.
    return stand.write("mosquitto.conf", text + "\nuser root\n")


def test(program):
    with Stand(program) as stand:
        port = free_port()
        must(ROOT / "deploy/make-certificates", stand.folder / "certs", "localhost", "127.0.0.1")
        must(ROOT / "deploy/make-certificates", stand.folder / "others", "localhost", "127.0.0.1")
        passwords = stand.folder / "taillamp.passwords"
        passwords.touch()
        for user, password in USERS.items():
            must("mosquitto_passwd", "-b", passwords, user, password)
        stand.write("broker-password", USERS["taillamp"] + "\n")
        mqtt = (
            f'[mqtt]\nurl = "mqtts://localhost:{port}"\nuser = "taillamp"\n'
            'password_file = "broker-password"\nca_file = "certs/ca.pem"\naccept_commands = true'
        )
        file = stand.write("plan.toml", plan(mqtt=mqtt))
        acl = must(program, "acl", "--plan", file, "--operator", "sam")
        stand.write("taillamp.acl", acl)
        broker = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        stand.start(broker, "-c", configured(stand, port), log="mosquitto")
        until("mosquitto runs", lambda: "running" in stand.said("mosquitto"))
        to = ["-h", "localhost", "-p", port, "-q", "1"]

        def publish(user, topic, payload, *more, ca="certs", password=None):
            login = ["-u", user, "-P", password or USERS[user]] if user else []
            trust = ["--cafile", stand.folder / ca / "ca.pem"]
            return run("mosquitto_pub", *to, *trust, *login, "-t", topic, "-m", payload, *more)

        # Left on the broker by a board that has the right to: news of another evening.
        kept = publish("board-2", "wharf/detector/d-west", CURRENT.format(0.1), "-r").returncode
        check("a board leaves an old reading on the broker", kept == 0)
        _, page = stand.daemon(file)
        until("the daemon is ready", lambda: fetch(page + "/readyz")[0] == 200)
        check("the daemon gets into Mosquitto, over TLS with its own authority", True)

        refused = publish("board-1", "x", "x", password="guess").returncode
        check("a wrong password is refused", refused != 0)
        check("nobody gets in without a password", publish(None, "x", "x").returncode != 0)
        check("a board that trusts another authority does not talk to it",
              publish("board-1", "x", "x", ca="others").returncode != 0)

        block = lambda name: state(page)["blocks"][name]["state"]
        # A board's own words, and what it is not to say: the broker takes both, and passes on one.
        publish("board-1", "wharf/detector/d-west", CURRENT.format(40))
        publish("board-1", "wharf/position/w1", '[{"n":"position","vs":"reverse"}]', "-r")
        publish("board-1", "wharf/state/block/east", '{"state":"vacant"}', "-r")
        publish("board-1", "wharf/node/board-2", "offline", "-r")
        publish("board-1", "wharf/do/out-of-service/d-west", '{"who":"a board"}')
        publish("board-1", "wharf/detector/d-east", CURRENT.format(40))
        until("the board's own reading arrives", lambda: block("east") == "occupied")
        now = state(page)
        check("what it published elsewhere has gone nowhere, and an old reading proves nothing",
              now["blocks"]["west"]["state"] == "unknown"
              and now["turnouts"]["w1"]["position"] == "unknown"
              and "out-of-service" not in json.dumps(now["detectors"]["d-west"]), json.dumps(now))
        heard = must("mosquitto_sub", *to, "--cafile", stand.folder / "certs/ca.pem", "-u", "sam",
                     "-P", USERS["sam"], "-t", "wharf/state/block/east", "-C", "1", "-W", "20")
        check("nor does it speak in the daemon's name", "occupied" in heard, heard)
        publish("board-2", "wharf/detector/d-west", CURRENT.format(40))
        until("the other board's reading arrives", lambda: block("west") == "occupied")
        check("the board that carries it may say the same", True)
        publish("sam", "wharf/do/out-of-service/d-west", '{"who":"Sam"}')
        until("the operator's word arrives",
              lambda: "out-of-service" in json.dumps(state(page)["detectors"]["d-west"]))
        check("the operator may give words", True)


def certificates():
    """What make-certificates makes, by openssl's judgement."""
    with Stand("/bin/true") as stand:
        folder = stand.folder / "ca"
        make = ROOT / "deploy/make-certificates"
        must(make, folder, "layout-pi.local", "192.0.2.7", "2001:db8::1")
        first = (folder / "ca.pem").read_text()
        must(make, folder, "layout-pi.local")
        check("a second run keeps the authority", first == (folder / "ca.pem").read_text())
        done = run("openssl", "verify", "-x509_strict", "-purpose", "sslserver", "-verify_hostname",
                   "layout-pi.local", "-CAfile", folder / "ca.pem", folder / "server.pem")
        check("openssl -x509_strict takes the certificate", done.returncode == 0, done.stderr)
        mode = (folder / "server.key").stat().st_mode & 0o777
        check("the keys are for their owner alone", mode == 0o600, oct(mode))
        wrong = subprocess.run([make, folder, "a;b"], capture_output=True).returncode
        check("a name that is none is refused", wrong == 2)
