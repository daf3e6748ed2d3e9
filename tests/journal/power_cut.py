#!/usr/bin/env python3
"""The power goes, at any moment, under load; then the journal must hold what was promised.

    power_cut.py TAILLAMP [--kills N] [--images N] [--seed N]

Two ways, both with the real program and real messages over MQTT:

What was told last is in the file's tail until the tables take it in: here a command that reads the
journal does that (`taillamp export`), as the next start of the daemon would.

kills    the daemon gets SIGKILL at a random moment. What the kernel had is kept, what the program had
         is not.
images   the daemon runs under strace, which tells every write and every sync of the journal's files
         with its bytes. A power cut after any of these calls is put together from that: what was
         synced is there; of what was written since, every sector of 512 bytes is there or not, by
         chance, so that writes are lost, torn and reordered as a disk may.

After each: the file opens and is sound; everything that a subscriber had heard 200 ms before is in it
(no program can keep that where a sync takes longer, so a probe beside it measures the disk: what is
missing must be explained by it, and how much that is, and how old, is told); every act that had been
answered is in it; what is remembered agrees with what happened; and the daemon starts with it and calls
nothing vacant that it has not seen since.
"""

import argparse
import json
import os
import pathlib
import random
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request

import paho.mqtt.client as mqtt

PROMISE_S = 0.2
# A machine that builds beside the test may let a thread wait for so long.
SLACK_S = 0.3
# Between two looks at the disk.
PAUSE_S = 0.05
SECTOR = 512
DEADLINE_S = 60
BLOCKS = 6
# Images that the daemon itself is started with, of all: starting takes longer than looking.
STARTED = 8

failures = 0


def told(well, what):
    global failures
    failures += 0 if well else 1
    print(f"{'ok' if well else 'FAIL'} {what}", flush=True)


def plan_text():
    """An invented ring of blocks with one turnout, with short times."""
    lines = [
        '[layout]\nname = "Cutler Yard"\nscale = "HO"\ntopic_prefix = "cutler"\n',
        '[mqtt]\nlisten = "127.0.0.1:0"\n[web]\nlisten = "127.0.0.1:0"\n',
        '[journal]\npath = "journal.db"\nraw_mb = 1\n',
        "[defaults]\nrelease_s = 0.05\nclear_s = 0.2\nrestore_s = 0.2\nboot_s = 0\nlost_s = 0.1\n",
        '[[block]]\nid = "siding"\nuse = "siding"\n',
        f'[[turnout]]\nid = "w1"\ntoe = "b{BLOCKS}.b"\nnormal = "b1.a"\nreverse = "siding.a"\n',
    ]
    for n in range(1, BLOCKS + 1):
        lines.append(f'[[block]]\nid = "b{n}"\nlength_mm = 1000\n')
        if n < BLOCKS:
            lines.append(f'[[join]]\nends = ["b{n}.b", "b{n + 1}.a"]\n')
    for n in [*(f"b{n}" for n in range(1, BLOCKS + 1)), "siding"]:
        lines.append(
            f'[[detector]]\nid = "d-{n}"\nkind = "current"\nblock = "{n}"\non = 3.0\noff = 1.5\n'
        )
    return "\n".join(lines)


class Daemon:
    """A running program: where its page and its broker are."""

    def __init__(self, program, folder, before=(), log=None):
        command = [*before, program, "run", "--plan", str(folder / "plan.toml")]
        log = log or folder / "log"
        self.log = log.open("a")
        self.child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=self.log, text=True)
        self.page = self.broker = None
        for line in self.child.stdout:
            page = re.search(r"The page: (http://\S+?)/?$", line.strip())
            self.page = page.group(1) if page else self.page
            broker = re.search(r"publish to (?:mqtt://)?([\d.]+):(\d+)", line)
            if broker:
                self.broker = (broker.group(1), int(broker.group(2)))
                break
        if not self.broker:
            raise SystemExit(f"the daemon did not start: {log.read_text()[-800:]}")

    def pid(self):
        """The program's own process, also below strace."""
        children = pathlib.Path(f"/proc/{self.child.pid}/task/{self.child.pid}/children")
        below = children.read_text().split()
        return int(below[0]) if below else self.child.pid

    def get(self, path):
        with urllib.request.urlopen(self.page + path, timeout=DEADLINE_S) as answer:
            return json.load(answer)

    def end(self, how):
        os.kill(self.pid(), how)
        self.child.wait(DEADLINE_S)
        self.child.stdout.close()
        self.log.close()


class Load:
    """Detectors, points and an operator, as fast as they go; what was heard and answered, and when."""

    def __init__(self, daemon, rng):
        self.daemon, self.rng = daemon, rng
        self.heard, self.answered = [], []
        # What an operator does goes into the tables at once: with few acts, much is in the tail.
        self.acts_a_second = rng.choice([0.3, 6])
        blocks = daemon.get("/api/v1/state")["blocks"]
        self.recalled = {name: block["since"] for name, block in blocks.items()}
        self.over = threading.Event()
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self.client.on_message = self.hear
        self.client.on_connect = lambda client, *_: client.subscribe("cutler/state/#")
        self.client.connect(*daemon.broker)
        self.client.loop_start()
        self.threads = [threading.Thread(target=self.publish), threading.Thread(target=self.act)]
        for thread in self.threads:
            thread.start()

    def hear(self, _client, _data, message):
        if not message.retain and message.payload:
            self.heard.append((time.time(), message.topic, json.loads(message.payload)))

    def publish(self):
        names = [*(f"b{n}" for n in range(1, BLOCKS + 1)), "siding"]
        while not self.over.wait(self.rng.expovariate(60)):
            if self.rng.random() < 0.1:
                position = self.rng.choice(["normal", "reverse", "moving"])
                payload = [{"n": "position", "vs": position}]
                self.client.publish("cutler/position/w1", json.dumps(payload), retain=True)
            else:
                name = self.rng.choice(names)
                milliamperes = self.rng.choice([0.1, 12.0])
                payload = [{"n": "current", "u": "mA", "v": milliamperes}]
                self.client.publish(f"cutler/detector/d-{name}", json.dumps(payload))

    def act(self):
        number = 0
        while not self.over.wait(self.rng.expovariate(self.acts_a_second)):
            number += 1
            who = f"hand {number}"
            body = json.dumps({"who": who}).encode()
            request = urllib.request.Request(
                f"{self.daemon.page}/api/v1/blocks/b1/stands-here",
                data=body,
                headers={"content-type": "application/json"},
            )
            try:
                with urllib.request.urlopen(request, timeout=5):
                    self.answered.append((time.time(), who))
            except urllib.error.HTTPError as error:
                # Refused is an answer too.
                if error.code == 409:
                    self.answered.append((time.time(), who))
            except OSError:
                return

    def stop(self):
        self.over.set()
        for thread in self.threads:
            thread.join()
        self.client.disconnect()
        self.client.loop_stop()


class Probe:
    """How long a sync takes on this disk, or a thread waits for its turn, beside everything else that
    the machine does."""

    def __init__(self, folder):
        self.path, self.times, self.over = folder / "probe", [], threading.Event()
        self.thread = threading.Thread(target=self.run)
        self.thread.start()

    def run(self):
        with self.path.open("wb") as file:
            slept = time.time()
            while not self.over.wait(PAUSE_S):
                began = time.time()
                self.times.append(began - slept - PAUSE_S)
                file.write(bytes(4096))
                file.flush()
                os.fdatasync(file.fileno())
                slept = time.time()
                self.times.append(slept - began)

    def longest(self):
        """Of all so far, one that was under way included."""
        self.over.set()
        self.thread.join()
        return max(self.times, default=0.0)


def last_states(file):
    """The last state of each block, as the changes of the last run tell."""
    rows = file.execute(
        "SELECT id, json_extract(body, '$.state') FROM change JOIN item USING (item)"
        " WHERE kind = 'block' AND part = 0 AND boot = (SELECT max(boot) FROM boot) ORDER BY seq"
    )
    return dict(rows.fetchall())


def bring_in(program, folder):
    """The tables take in what is in the tail; what the command has to say where it fails."""
    plan = folder / "plan.toml"
    if not plan.exists():
        plan.write_text(plan_text())
    # All of time: the file may have nothing of the last run yet.
    done = subprocess.run([program, "export", "--plan", str(plan), "--from", "0", "--output",
                           str(folder / "table.csv")], capture_output=True, text=True)
    # Of the plan's short times it warns each time.
    well = done.returncode == 0 and "note:" not in done.stderr
    return "" if well else done.stderr.strip()


def look_at(program, path, load, cut, slack):
    """What is wrong with a journal after a power cut at this moment; and of what was heard more than
    0.2 s before and is missing, as this machine's disk or processor explains, how old it was.

    `slack`: how much longer it may take because they were busy. What the daemon itself measures of it
    is taillamp_journal_delay_seconds.
    """
    heard, answered = load.heard, load.answered
    wrong, late = [], []
    if said := bring_in(program, path.parent):
        wrong.append(f"the tail is not taken in: {said}")
    file = sqlite3.connect(path)
    try:
        check = file.execute("PRAGMA integrity_check").fetchone()[0]
        if check != "ok":
            return [f"it is not sound: {check}"], late
        kept = {}
        rows = file.execute(
            "SELECT kind, id, json_extract(body, '$.state'),"
            " origin_us / 1000 + at_ms FROM change JOIN item USING (item) JOIN boot USING (boot)"
            " WHERE part = 0 AND kind IN ('block', 'turnout')"
        )
        for kind, name, state, at in rows:
            kept.setdefault((kind, name, state), []).append(at)
        for when, topic, record in heard:
            kind, name = topic.split("/")[2:]
            if when > cut - PROMISE_S or kind != "block":
                continue
            since = time.mktime(time.strptime(record["since"][:19], "%Y-%m-%dT%H:%M:%S"))
            since = (since - time.timezone) * 1000 + int(record["since"][20:23])
            near = kept.get((kind, name, record["state"]), [])
            # What lasts since before this run has its row in an earlier one.
            recalled = load.recalled[name] == record["since"]
            if recalled or any(abs(at - since) <= 3 for at in near):
                continue
            if record["state"] == "unknown":
                continue
            if when > cut - PROMISE_S - slack:
                late.append(cut - when)
            else:
                wrong.append(f"{name} {record['state']}, heard {cut - when:.3f} s before, is missing")
        acts = file.execute(
            "SELECT json_extract(body, '$.who') FROM change JOIN item USING (item)"
            " WHERE kind = 'operator'"
        )
        acts = {who for (who,) in acts}
        wrong += [f"{who} was answered and is missing" for when, who in answered
                  if when < cut and who not in acts]
        memory = file.execute("SELECT id, body FROM memory WHERE section = 'blocks'").fetchall()
        memory = {name: json.loads(body)["state"] for name, body in memory}
        for name, state in last_states(file).items():
            if name in memory and memory[name] != state:
                wrong.append(f"{name}: remembered {memory[name]}, but it was {state}")
    except sqlite3.DatabaseError as error:
        wrong.append(f"it cannot be read: {error}")
    finally:
        file.close()
    return wrong, late


def start_with(program, folder):
    """The daemon starts with this journal; what it says that it cannot know."""
    bring_in(program, folder)
    expected = sqlite3.connect(folder / "journal.db")
    memory = dict(expected.execute("SELECT id, body FROM memory WHERE section = 'blocks'"))
    expected.close()
    daemon = Daemon(program, folder)
    state = daemon.get("/api/v1/state")
    daemon.end(signal.SIGTERM)
    wrong = []
    for name, block in state["blocks"].items():
        if block["state"] == "vacant":
            wrong.append(f"{name} is vacant and nobody has looked")
        known = json.loads(memory[name])["state"] if name in memory else None
        held = block["state"] if block["state"] in ("occupied", "lost") else block["kept"]
        if known in ("occupied", "lost", "vacant") and held != known:
            wrong.append(f"{name} was {known} and is remembered as {held}")
    return wrong


def kills(program, count, rng):
    wrong, syncs, late = [], [], []
    heard = acts = 0
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        (folder / "plan.toml").write_text(plan_text())
        for number in range(count):
            probe = Probe(folder)
            daemon = Daemon(program, folder)
            load = Load(daemon, rng)
            load.over.wait(rng.uniform(0.05, 2.0))
            cut = time.time()
            daemon.end(signal.SIGKILL)
            load.stop()
            syncs.append(probe.longest())
            heard += len(load.heard)
            acts += len(load.answered)
            copy = folder / "copy"
            copy.mkdir()
            for part in folder.glob("journal.db*"):
                if not part.name.endswith("-shm"):
                    shutil.copy(part, copy / part.name)
            found, young = look_at(program, copy / "journal.db", load, cut, SLACK_S + 2 * syncs[-1])
            late += young
            shutil.rmtree(copy)
            wrong += [f"kill {number}: {what}" for what in found]
        # The next start is the proof of the one before; the last one is looked at too.
        wrong += start_with(program, folder)
    for what in wrong[:20]:
        print(what)
    told(not wrong, f"{count} kills under load: {heard} records heard, {acts} acts answered, "
                    f"{len(wrong)} promises broken; a sync or a wake-up took up to "
                    f"{max(syncs) * 1e3:.0f} ms, which explains {of_late(late)}")


def of_late(late):
    """What was not there in time, in words."""
    if not late:
        return "nothing, for all was there after 0.2 s"
    return f"{len(late)} records that were not there after 0.2 s, the oldest {max(late):.2f} s old"


CALL = re.compile(r"^(\d+) +(\d+\.\d+) (pwrite64|fdatasync|fsync|ftruncate|unlink)\((.*)$")
RESUMED = re.compile(r"^(\d+) +(\d+\.\d+) <\.\.\. (\w+) resumed>.*= (-?\d+)")
NAMED = re.compile(r'^(?:\d+<([^>]+)>|"([^"]+)")')


def calls(trace):
    """Every call on the journal's files: moment, call, file, bytes or length, offset."""
    open_calls = {}
    for line in trace.read_text(errors="replace").splitlines():
        resumed = RESUMED.match(line)
        if resumed:
            pending = open_calls.pop(resumed.group(1), None)
            if pending and resumed.group(4) != "-1":
                yield (float(resumed.group(2)), *pending)
            continue
        call = CALL.match(line)
        if not call:
            continue
        pid, when, what, rest = call.groups()
        named = NAMED.match(rest)
        if not named:
            continue
        path = named.group(1) or named.group(2)
        if path.startswith("\\x"):
            path = bytes.fromhex(path.replace("\\x", "")).decode()
        path = pathlib.Path(path).name
        data, offset = b"", 0
        if what == "pwrite64":
            body = re.match(r'.*?, "((?:\\x[0-9a-f]{2})*)", (\d+), (\d+)', rest)
            data = bytes.fromhex(body.group(1).replace("\\x", ""))
            offset = int(body.group(3))
            assert len(data) == int(body.group(2)), "strace has cut a write short"
        elif what == "ftruncate":
            offset = int(re.match(r".*?, (\d+)", rest).group(1))
        entry = (what, path, data, offset)
        if "<unfinished" in rest:
            open_calls[pid] = entry
        elif took := re.search(r" = (?!-1)\d+ <([\d.]+)>$", rest):
            yield (float(when) + float(took.group(1)), *entry)


def sync_times(trace):
    """How long each sync took."""
    for line in trace.read_text(errors="replace").splitlines():
        took = re.search(r"(?:fdatasync|fsync).* = 0 <([\d.]+)>$", line)
        if took:
            yield float(took.group(1))


class Disk:
    """Files as a disk has them: what was synced, and what was written since."""

    def __init__(self, base):
        self.synced = {name: bytearray(data) for name, data in base.items()}
        self.since = {}

    def take(self, what, path, data, offset):
        if what in ("fdatasync", "fsync"):
            file = self.synced.setdefault(path, bytearray())
            for entry in self.since.pop(path, []):
                apply(file, *entry)
        elif what == "unlink":
            self.synced.pop(path, None)
            self.since.pop(path, None)
        else:
            self.since.setdefault(path, []).append((what, data, offset))

    def after_cut(self, rng):
        """What is there after a power cut."""
        files = {name: bytearray(data) for name, data in self.synced.items()}
        keep = rng.choice([0.0, 0.5, 0.9, 1.0])
        for name, entries in self.since.items():
            file = files.setdefault(name, bytearray())
            for what, data, offset in entries:
                if what == "ftruncate":
                    if rng.random() < keep:
                        apply(file, what, data, offset)
                    continue
                at = 0
                while at < len(data):
                    end = min(len(data), at + SECTOR - (offset + at) % SECTOR)
                    if rng.random() < keep:
                        apply(file, what, data[at:end], offset + at)
                    at = end
        return files


def apply(file, what, data, offset):
    if what == "ftruncate":
        del file[offset:]
        return
    if len(file) < offset:
        file.extend(bytes(offset - len(file)))
    file[offset:offset + len(data)] = data


def images(program, count, rng, seconds):
    """One run under strace, and power cuts after random calls of it."""
    wrong, late = [], []
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        (folder / "plan.toml").write_text(plan_text())
        # The file is there and closed, so that its beginning is known.
        Daemon(program, folder).end(signal.SIGTERM)
        base = {part.name: part.read_bytes() for part in folder.glob("journal.db*")}
        if set(base) != {"journal.db"}:
            wrong.append(f"a daemon that ends leaves {sorted(base)}")
        trace = folder / "trace"
        files = ["journal.db", "journal.db-wal", "journal.db-tail"]
        watched = [word for file in files for word in ("-P", str(folder / file))]
        strace = ["strace", "-f", "-qq", "-ttt", "-T", "-y", "-xx", "-s", "1000000", "-o", str(trace),
                  "-e", "trace=pwrite64,fdatasync,fsync,ftruncate,unlink", *watched]
        daemon = Daemon(program, folder, strace)
        load = Load(daemon, rng)
        load.over.wait(seconds)
        load.stop()
        # The end belongs to it: the file takes in what lies beside it.
        daemon.end(signal.SIGTERM)
        every = [call for call in calls(trace) if call[2] in files]
        syncs = sum(call[1] in ("fdatasync", "fsync") for call in every)
        longest = max(sync_times(trace), default=0.0)
        cuts = sorted(rng.sample(range(1, len(every)), min(count, len(every) - 1)))
        started = set(rng.sample(cuts, min(STARTED, len(cuts))))
        disk, at = Disk(base), 0
        for cut in cuts:
            for call in every[at:cut]:
                disk.take(*call[1:])
            at = cut
            image = folder / "image"
            image.mkdir()
            for part, data in disk.after_cut(rng).items():
                (image / part).write_bytes(data)
            when = every[cut - 1][0]
            found, young = look_at(program, image / "journal.db", load, when, 2 * longest)
            late += young
            if not found and cut in started:
                found = start_with(program, image)
            shutil.rmtree(image)
            wrong += [f"cut after call {cut} of {len(every)}: {what}" for what in found]
    for what in wrong[:20]:
        print(what)
    told(bool(syncs) and bool(load.heard) and bool(load.answered),
         f"the run under strace: {len(every)} calls, {syncs} of them syncs, {len(load.heard)} "
         f"records heard, {len(load.answered)} acts answered; the longest sync took {longest * 1e3:.0f} ms")
    told(not wrong, f"{len(cuts)} power cuts that lose, tear and reorder what was not synced: "
                    f"{len(wrong)} promises broken; the longest sync explains {of_late(late)}")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("--kills", type=int, default=12)
    parser.add_argument("--images", type=int, default=60)
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    words = parser.parse_args()
    os.environ["TZ"] = "UTC"
    time.tzset()
    print(f"seed {words.seed}")
    rng = random.Random(words.seed)
    kills(words.program, words.kills, rng)
    images(words.program, words.images, rng, words.seconds)
    sys.exit(1 if failures else 0)


if __name__ == "__main__":
    main()
