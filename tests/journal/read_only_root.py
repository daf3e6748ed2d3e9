#!/usr/bin/env python3
"""The root is read-only, the journal lies on another mount: the daemon must not notice.

    read_only_root.py TAILLAMP

As on a card that is never written to, with a stick for the journal. The test gets mounts of its own
(mount_namespaces(7), by unshare(1)), mounts a tmpfs for the journal and makes the root read-only; nothing
of that is seen outside. Where a machine does not permit it, it says so and passes: that is no fault of the
program's.

Promised and looked at: the daemon starts, writes nothing but the journal, keeps it through SIGKILL and a
restart, gives old rows' room back, and makes its report; and a journal on the read-only root is refused
with its path and the cure.
"""

import ctypes
import json
import os
import pathlib
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time

import paho.mqtt.client as mqtt

import power_cut
from power_cut import Daemon, plan_text, told

DEADLINE_S = 60
MS_RDONLY, MS_REMOUNT, MS_BIND, MS_REC, MS_PRIVATE = 1, 32, 4096, 16384, 1 << 18


def until(what, ask):
    """Waits for a condition; its value."""
    end = time.monotonic() + DEADLINE_S
    while time.monotonic() < end:
        try:
            found = ask()
        except sqlite3.DatabaseError:
            found = None
        if found:
            return found
        time.sleep(0.05)
    told(False, f"{what}: not within {DEADLINE_S} s")
    return None


def ask(file, sql):
    connection = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
    try:
        return connection.execute(sql).fetchone()
    finally:
        connection.close()


def is_read_only(folder):
    try:
        (folder / "touched").write_text("x")
    except OSError:
        return True
    return False


def mounts(stick):
    """The journal's mount, and everything else read-only, in this namespace alone."""
    libc = ctypes.CDLL(None, use_errno=True)

    def mount(source, target, kind, flags):
        if libc.mount(source, target, kind, flags, None) != 0:
            raise OSError(ctypes.get_errno(), f"mount of {target!r}")

    mount(None, b"/", None, MS_REC | MS_PRIVATE)
    mount(b"none", os.fsencode(stick), b"tmpfs", 0)
    mount(None, b"/", None, MS_REMOUNT | MS_BIND | MS_RDONLY)


def publish(daemon, *values):
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.connect(*daemon.broker)
    client.loop_start()
    for name, milliamperes in values:
        payload = json.dumps([{"n": "current", "u": "mA", "v": milliamperes}])
        client.publish(f"cutler/detector/d-{name}", payload, qos=1).wait_for_publish(DEADLINE_S)
    client.disconnect()
    client.loop_stop()


def inside(program, folder):
    stick = folder / "stick"
    mounts(stick)
    told(is_read_only(folder) and not is_read_only(stick), "the root is read-only, the stick is not")
    (stick / "touched").unlink()
    file = stick / "journal.db"
    daemon = Daemon(program, folder, log=stick / "log")
    publish(daemon, ("b1", 12.0))
    heard = "SELECT 1 FROM history WHERE kind = 'block' AND id = 'b1' AND state = 'occupied'"
    until("a change is in the journal", lambda: ask(file, heard))
    daemon.end(signal.SIGKILL)
    again = Daemon(program, folder, log=stick / "log")
    block = again.get("/api/v1/state")["blocks"]["b1"]
    told(block["remembered"] and "occupied" in (block["state"], block["kept"]),
         f"after SIGKILL b1 is remembered as {block['state']}, kept {block['kept']}")
    history = again.get("/api/v1/history?view=events&from=0&to=4000000000")
    told(any(event.get("id") == "b1" for event in history["events"]), "the past can be looked at")
    again.end(signal.SIGTERM)
    left = sorted(part.name for part in stick.iterdir())
    told(left == ["journal.db", "log"], f"nothing but the journal was written: {left}")
    report = subprocess.run([program, "report", "--plan", folder / "plan.toml", "-o", stick / "r.html"],
                            capture_output=True, text=True)
    told(report.returncode == 0 and (stick / "r.html").stat().st_size > 1_000,
         "the report is made" if report.returncode == 0 else f"no report: {report.stderr}")
    large(program, folder, file)
    refused(program, folder)


def large(program, folder, file):
    """Old rows go and their room is given back, also where nothing else can be written."""
    connection = sqlite3.connect(file)
    last = connection.execute("SELECT max(seq) FROM change").fetchone()[0]
    body = json.dumps({"was": "vacant", "state": "occupied", "why": "x" * 200})
    boot = connection.execute("SELECT max(boot) FROM boot").fetchone()[0]
    with connection:
        for n in range(20_000):
            connection.execute("INSERT INTO change VALUES (?, ?, 0, 1, 0, ?)", (last + 1 + n, boot, body))
            if n % 500 == 0:
                connection.execute(
                    "INSERT OR REPLACE INTO whole SELECT ?, boot, 0, layout, body FROM whole LIMIT 1",
                    (last + 1 + n,))
    connection.close()
    before = file.stat().st_size
    pages = "PRAGMA page_count"
    daemon = Daemon(program, folder, log=file.parent / "log")
    full = ask(file, pages)[0]
    until("room is given back", lambda: ask(file, pages)[0] < 0.99 * full)
    daemon.end(signal.SIGTERM)
    after = file.stat().st_size
    told(after < 0.99 * before, f"{before / 1e6:.1f} MB above its limit became {after / 1e6:.1f} MB")


def refused(program, folder):
    end = subprocess.run([program, "run", "--plan", folder / "root.toml"],
                         capture_output=True, text=True, timeout=DEADLINE_S)
    why = end.stderr.strip().splitlines()[-1:] or [""]
    told(end.returncode not in (0, -6) and "journal.db" in why[0] and "can be written" in why[0],
         f"a journal on the root ends with {end.returncode}: {why[0]}")


def main():
    program = str(pathlib.Path(sys.argv[1]).resolve())
    if sys.argv[2:3] == ["--inside"]:
        inside(program, pathlib.Path(sys.argv[3]))
        sys.exit(1 if power_cut.failures else 0)
    allowed = subprocess.run(["unshare", "-m", "true"], capture_output=True, text=True)
    if os.geteuid() != 0 or allowed.returncode != 0:
        print("not looked at: mounts of one's own need root here "
              f"({allowed.stderr.strip() or 'this is another user'})")
        return
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        (folder / "stick").mkdir()
        text = plan_text()
        (folder / "root.toml").write_text(text)
        kept = 'path = "stick/journal.db"\nkeep_mb = 1'
        (folder / "plan.toml").write_text(text.replace('path = "journal.db"\nraw_mb = 1', kept))
        end = subprocess.run(["unshare", "-m", sys.executable, __file__, program, "--inside", name])
    sys.exit(end.returncode)


if __name__ == "__main__":
    main()
