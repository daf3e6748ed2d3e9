"""What the journal costs, and how fast the past is told: the part `journal` of tests/bars.

Needs paho-mqtt, as tests/run installs it into its venv. It measures and prints; it judges nothing.
"""

import json
import os
import pathlib
import re
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.request

import paho.mqtt.client as mqtt

EVENING_S = 150
SETTLE_S = 30
LOAD_S = 40
SAMPLES_PER_S = 2_000
BLOCKS = 100
TRAINS = 10
STEP_S = 2.0
DAYS = 90
HOURS_A_DAY = 3
ROUNDS = 5
TIDY_S = 90


class Daemon:
    """A running program: its page, its broker, what it costs."""

    def __init__(self, program, plan, *more):
        command = [program, "run", "--plan", plan, *more]
        self.child = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        self.broker = None
        for line in self.child.stdout:
            page = re.search(r"The page: (http://\S+?)/?$", line.strip())
            self.page = page.group(1) if page else getattr(self, "page", None)
            broker = re.search(r"publish to (?:mqtt://)?([\d.]+):(\d+)", line)
            if broker:
                self.broker = (broker.group(1), int(broker.group(2)))
                break
        if not self.broker:
            raise SystemExit(f"{program} ended before it told where its broker is")

    def get(self, path):
        with urllib.request.urlopen(self.page + path) as answer:
            return answer.read()

    def cpu_s(self):
        stat = pathlib.Path(f"/proc/{self.child.pid}/stat").read_text().rpartition(") ")[2]
        ticks = stat.split()
        return (int(ticks[11]) + int(ticks[12])) / os.sysconf("SC_CLK_TCK")

    def io(self):
        text = pathlib.Path(f"/proc/{self.child.pid}/io").read_text()
        return {key: int(value) for key, value in re.findall(r"(\w+): (\d+)", text)}

    def histogram(self, name):
        """Counts by upper bound."""
        text = self.get("/metrics").decode()
        rows = re.findall(rf'^{name}_bucket{{le="([^"]+)"}} (\d+)$', text, re.MULTILINE)
        return {float(bound): int(count) for bound, count in rows}

    def stop(self):
        self.child.send_signal(signal.SIGTERM)
        self.child.wait(60)
        self.child.stdout.close()


def client(broker):
    made = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    made.connect(*broker)
    made.loop_start()
    return made


def quantile(before, after, part):
    """A quantile of what came between two looks, straight inside its bucket."""
    counts = {bound: after[bound] - before.get(bound, 0) for bound in after}
    wanted, low, lower = part * counts[float("inf")], 0.0, 0
    for bound, count in sorted(counts.items()):
        if count >= wanted and count > lower:
            high = bound if bound != float("inf") else low
            return low + (high - low) * (wanted - lower) / (count - lower)
        low, lower = bound, count
    return low


def longest(before, after):
    """The bound of the slowest that came between two looks."""
    counts = {bound: after[bound] - before.get(bound, 0) for bound in after}
    return min(bound for bound, count in counts.items() if count == counts[float("inf")])


def with_ports(text, folder, name, more=""):
    text = re.sub(r"(?m)^\[(mqtt|web|journal)\]\n(?:(?!\[).*\n)*", "", text)
    plan = folder / f"{name}.toml"
    plan.write_text(
        text + '\n[mqtt]\nlisten = "127.0.0.1:0"\n[web]\nlisten = "127.0.0.1:0"\n'
        f'[journal]\npath = "{name}.db"\n{more}'
    )
    return plan


def evening(release, root, folder):
    """The demo's layout, simulated, in its own time: what is written to the disk."""
    recorded = subprocess.run(
        [release / "make-recording", "--seconds", str(EVENING_S), "--seed", "7"],
        capture_output=True, text=True, check=True,
    ).stdout.splitlines()
    plan = with_ports((root / "simulator/plans/demo.toml").read_text(), folder, "evening")
    daemon = Daemon(release / "taillamp", plan)
    sender = client(daemon.broker)
    began, before, at_s = time.monotonic(), None, 0.0
    for line in recorded:
        message = json.loads(line)
        if "topic" not in message:
            continue
        at_s = message["t"]
        time.sleep(max(0.0, began + at_s - time.monotonic()))
        payload = message["payload"]
        payload = payload if isinstance(payload, str) else json.dumps(payload)
        sender.publish(message["topic"], payload, retain=message.get("retained", False))
        if before is None and at_s >= SETTLE_S:
            before, first = daemon.io(), daemon.histogram("taillamp_journal_write_seconds")
            since = at_s
    after, last = daemon.io(), daemon.histogram("taillamp_journal_write_seconds")
    delay = daemon.histogram("taillamp_journal_delay_seconds")
    sender.loop_stop()
    daemon.stop()
    hours = (at_s - since) / 3_600
    commits = (last[float("inf")] - first[float("inf")]) / (at_s - since)
    print(f"\njournal, a busy evening: the demo's layout, {TRAINS_OF_DEMO} trains, in its own time, "
          f"{at_s - since:.0f} s of it, extrapolated")
    for key, what in (("write_bytes", "to the disk (whole pages of 4 KiB)"),
                      ("wchar", "handed to the system")):
        print(f"  {(after[key] - before[key]) / hours / 1e6:.1f} MB/h {what}")
    print(f"  {commits:.1f} writes a second; {delay[0.2] / delay[float('inf')] * 100:.2f} % of what "
          f"was published was on the disk within 0.2 s, {last[float('inf')]} writes looked at")
    return folder / "evening.db"


TRAINS_OF_DEMO = 6


def ring(folder, name="ring", more=""):
    lines = ['[layout]\nname = "Ring"\nscale = "HO"\ntopic_prefix = "ring"\n']
    for n in range(1, BLOCKS + 1):
        lines.append(
            f'[[block]]\nid = "b{n}"\nlength_mm = 1000\n'
            f'[[join]]\nends = ["b{n}.b", "b{n % BLOCKS + 1}.a"]\n'
            f'[[detector]]\nid = "d{n}"\nkind = "current"\nblock = "b{n}"\non = 3.0\noff = 1.5\n'
        )
    return with_ports("\n".join(lines), folder, name, more)


def load(daemon, seconds, over):
    """So many samples a second, ten trains that go round."""
    sender = client(daemon.broker)
    began, sent = time.monotonic(), 0
    lit = [n * (BLOCKS // TRAINS) for n in range(TRAINS)]
    on, off = ('[{"n":"current","u":"A","v":0.0124}]', '[{"n":"current","u":"A","v":0.0003}]')
    while time.monotonic() - began < seconds and not over.is_set():
        now = time.monotonic() - began
        while sent < now * SAMPLES_PER_S:
            block = sent % BLOCKS
            step = int(now / STEP_S)
            heads = {(start + step) % BLOCKS for start in lit}
            # The tail leaves half a step after the head has come in.
            tails = {(head - 1) % BLOCKS for head in heads} if now % STEP_S < STEP_S / 2 else set()
            here = on if block in heads or block in tails else off
            sender.publish(f"ring/detector/d{block + 1}", here)
            sent += 1
        time.sleep(0.002)
    sender.loop_stop()
    return sent


def cost(release, folder):
    """Processor time and decisions with the journal and without."""
    plan = ring(folder)
    print(f"\njournal, cost: {SAMPLES_PER_S} samples/s, {BLOCKS} blocks, {TRAINS} trains on a ring, "
          f"{LOAD_S} s each")
    seen = {}
    for name, words in (("without", ["--no-journal"]), ("with", []), ("without again", ["--no-journal"])):
        daemon = Daemon(release / "taillamp", plan, *words)
        over = threading.Event()
        thread = threading.Thread(target=load, args=(daemon, LOAD_S + 8, over))
        thread.start()
        time.sleep(6)
        before, cpu = daemon.histogram("taillamp_decision_seconds"), daemon.cpu_s()
        changes = rows(plan.with_suffix(".db")) if not words else 0
        time.sleep(LOAD_S)
        after, spent = daemon.histogram("taillamp_decision_seconds"), daemon.cpu_s() - cpu
        changes = (rows(plan.with_suffix(".db")) - changes) / LOAD_S if not words else None
        over.set()
        thread.join()
        daemon.stop()
        taken = (after[float("inf")] - before[float("inf")]) / LOAD_S
        p99 = quantile(before, after, 0.99) * 1e3
        seen[name] = spent / LOAD_S * 100
        more = "" if changes is None else f", {changes:.0f} changes/s written"
        print(f"  {name:>13}: {seen[name]:.1f} % of one core at {taken:.0f} samples/s, decision p99 "
              f"{p99:.2f} ms{more}")
    without = (seen["without"] + seen["without again"]) / 2
    print(f"  the journal: {seen['with'] - without:.1f} % of one core")


def rows(path):
    file = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    count = file.execute("SELECT count(*) FROM change WHERE part = 0").fetchone()[0]
    file.close()
    return count


def long_journal(source, folder):
    """Ninety evenings of three hours, made of the rows of a real one, one after the other."""
    path = folder / "long.db"
    path.write_bytes(source.read_bytes())
    file = sqlite3.connect(path, isolation_level=None)
    file.execute("PRAGMA journal_mode = OFF")
    file.execute("PRAGMA synchronous = OFF")
    boot = file.execute("SELECT version FROM boot").fetchone()[0]
    every = file.execute("SELECT at_ms, item, part, body FROM change ORDER BY seq").fetchall()
    wholes = file.execute("SELECT layout, body FROM whole ORDER BY seq").fetchall()
    layout, body = wholes[-1]
    # What came before everything was known is not repeated.
    every = [row for row in every if row[0] >= SETTLE_S * 1000]
    first, last = every[0][0], every[-1][0]
    for table in ("change", "whole", "boot", "raw"):
        file.execute(f"DELETE FROM {table}")
    file.execute("BEGIN")
    seq, evening_ms = 1, HOURS_A_DAY * 3_600_000
    begins = time.time() - (DAYS - 0.5) * 86_400
    for day in range(DAYS):
        origin = int((begins + day * 86_400) * 1e6)
        start, offset, since = seq, 0, 0
        made, states = [], [(seq, day + 1, 0, layout, body)]
        while offset < evening_ms:
            for at, item, part, text in every:
                made.append((seq, day + 1, offset + at - first, item, part, text))
                seq += 1
                since += 1
                if since >= 4_000:
                    since = 0
                    states.append((seq, day + 1, offset + at - first, layout, body))
            offset += last - first + 500
        file.executemany("INSERT INTO change VALUES (?, ?, ?, ?, ?, ?)", made)
        file.executemany("INSERT OR REPLACE INTO whole VALUES (?, ?, ?, ?, ?)", states)
        file.execute("INSERT INTO boot VALUES (?, ?, 1, ?, ?, 1, ?)",
                     (day + 1, origin, start, made[-1][2], boot))
    file.execute("COMMIT")
    file.close()
    return path, seq, begins


def views(release, root, folder, source):
    began = time.monotonic()
    path, count, begins = long_journal(source, folder)
    plan = with_ports((root / "simulator/plans/demo.toml").read_text(), folder, "long")
    print(f"\njournal, {DAYS} days of {HOURS_A_DAY} h, made of the rows of that evening in "
          f"{time.monotonic() - began:.0f} s: {count / 1e6:.1f} million rows, "
          f"{path.stat().st_size / 2**30:.2f} GiB")
    daemon = Daemon(release / "taillamp", plan)
    last = begins + (DAYS - 1) * 86_400
    middle = begins + DAYS // 2 * 86_400
    asked = {
        "lanes, 10 minutes": f"history?from={middle + 3600}&to={middle + 4200}",
        "lanes, 1 hour": f"history?from={middle + 3600}&to={middle + 7200}",
        "lanes, an evening of 3 h": f"history?from={middle}&to={middle + HOURS_A_DAY * 3600}",
        "lanes, 7 days": f"history?from={middle}&to={middle + 7 * 86400}",
        "lanes, 90 days": f"history?from={begins}&to={last + 86400}",
        "events, 500": f"history?view=events&from={middle}&to={last}",
        "events, 5000": f"history?view=events&from={middle}&to={last}&limit=5000",
        "state, somewhere": f"history/state?at={middle + 5000}",
        "extent": "history/extent",
    }
    for name, path in asked.items():
        times = []
        for _ in range(ROUNDS):
            began = time.monotonic()
            size = len(daemon.get(f"/api/v1/{path}"))
            times.append((time.monotonic() - began) * 1e3)
        print(f"  {name:>26}: {max(times):6.1f} ms at most, {min(times):6.1f} at least, "
              f"{size / 1e3:.0f} kB")
    daemon.stop()


def vacuum(release, folder):
    """The oldest rows go and their room is given back, while trains run."""
    path = folder / "long.db"
    size = path.stat().st_size
    plan = ring(folder, "long", f"keep_mb = {int(size * 0.95 / 1e6)}\n")
    daemon = Daemon(release / "taillamp", plan)
    over = threading.Event()
    thread = threading.Thread(target=load, args=(daemon, 10 * TIDY_S, over))
    thread.start()
    # The first look at the file comes 20 s after the start.
    time.sleep(8)
    looks = [look(daemon, path)]
    time.sleep(8)
    looks.append(look(daemon, path))
    end = time.monotonic() + TIDY_S
    # It is over when the file has become smaller and no free page is left.
    while time.monotonic() < end:
        time.sleep(0.5)
        pages, free = pages_of(path)
        if pages < looks[0][2] * 0.98 and free == 0:
            break
    looks.append(look(daemon, path))
    over.set()
    thread.join()
    daemon.stop()
    took = looks[2][3] - looks[1][3]
    print(f"\njournal, tidying at {SAMPLES_PER_S} samples/s: {looks[0][2] - looks[2][2]} of "
          f"{looks[0][2]} pages given back, within {took:.0f} s")
    for what, first, last in (("before", *looks[:2]), ("meanwhile", *looks[1:])):
        print(f"  {what:>9}: decisions p99 {quantile(first[0], last[0], 0.99) * 1e3:.2f} ms, all "
              f"within {longest(first[0], last[0]) * 1e3:.0f} ms; on the disk p99 "
              f"{quantile(first[1], last[1], 0.99) * 1e3:.0f} ms after it was published")


def look(daemon, path):
    decided = daemon.histogram("taillamp_decision_seconds")
    kept = daemon.histogram("taillamp_journal_delay_seconds")
    return decided, kept, pages_of(path)[0], time.monotonic()


def pages_of(path):
    file = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    counts = [file.execute(f"PRAGMA {what}").fetchone()[0] for what in ("page_count", "freelist_count")]
    file.close()
    return counts


def run(release, root, folder):
    """All of it."""
    source = evening(release, root, folder)
    cost(release, folder)
    views(release, root, folder, source)
    vacuum(release, folder)


if __name__ == "__main__":
    release, root, folder = (pathlib.Path(word) for word in sys.argv[1:4])
    run(release, root, folder)
