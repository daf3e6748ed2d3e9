"""What goes wrong around the daemon, live: promised and seen, a line each.

    faults.py TAILLAMP short|long    a line `ok NAME` or `FAIL NAME`, and the table at the end
    faults.py TAILLAMP soak MINUTES  5 000 messages a second for so long: memory, state, losses
    faults.py TAILLAMP day HOURS     so many hours of simulated running, replayed: memory, the end

Needs Mosquitto, faketime and paho-mqtt. Every wait has a deadline and ends as soon as what it waits
for is there. What is promised is DEVELOPERS.md's and DEVELOPERS.md's; no figure is from elsewhere,
but for the broker's own (OASIS MQTT 3.1.1, 3.1.2.10: silent for one and a half keep-alives is gone).
"""

import json
import os
import pathlib
import re
import resource
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request

import paho.mqtt.client as mqtt

SOON = 30
PREFIX = "lane"
BLOCKS = 4
# Silence is noticed after this; the rest of a wait is the machine's.
SILENCE_S = 3


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def until(what, probe, seconds=SOON):
    deadline = time.monotonic() + seconds
    while True:
        seen = probe()
        if seen:
            return seen
        if time.monotonic() > deadline:
            raise AssertionError(f"not within {seconds} s: {what}")
        time.sleep(0.05)


def plan(broker, web="127.0.0.1:0"):
    text = f'[layout]\nname = "Hazel Lane"\nscale = "HO"\ntopic_prefix = "{PREFIX}"\n[mqtt]\n{broker}\n'
    text += f'[web]\nlisten = "{web}"\n[defaults]\nboot_s = 1\nmax_silence_s = {SILENCE_S}\n'
    for n in range(1, BLOCKS + 1):
        text += f'[[block]]\nid = "b{n}"\n'
        text += f'[[detector]]\nid = "d{n}"\nkind = "current"\nblock = "b{n}"\non = 3.0\noff = 1.5\n'
    for n in range(1, BLOCKS):
        text += f'[[join]]\nends = ["b{n}.b", "b{n + 1}.a"]\n'
    return text


class Broker:
    """A Mosquitto of our own."""

    def __init__(self, folder):
        self.port = free_port()
        self.config = folder / "broker.conf"
        self.config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\n")
        self.start()

    def start(self):
        self.child = subprocess.Popen(
            ["mosquitto", "-c", self.config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until("the broker listens", self.listens)

    def listens(self):
        try:
            socket.create_connection(("127.0.0.1", self.port), 1).close()
            return True
        except OSError:
            return False

    def kill(self):
        self.child.kill()
        self.child.wait(SOON)


class Daemon:
    def __init__(self, program, folder, text, env=None, limit_mb=None):
        file = folder / "plan.toml"
        file.write_text(text)

        def limit():
            if limit_mb:
                resource.setrlimit(resource.RLIMIT_DATA, (limit_mb << 20, limit_mb << 20))

        self.child = subprocess.Popen(
            [program, "run", "--plan", file], stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            text=True, env={**os.environ, **(env or {})}, preexec_fn=limit,
        )
        self.said = []
        threading.Thread(target=self.read, daemon=True).start()
        self.page = until("the daemon tells where its page is", self.address)

    def read(self):
        for line in self.child.stdout:
            self.said.append(line)

    def address(self):
        if self.child.poll() is not None:
            raise AssertionError(f"the daemon ended: {''.join(self.said[-10:])}")
        found = re.search(r"The page: (http://\S+?)/\n", "".join(self.said))
        return found and found.group(1)

    def inside(self):
        """The port of the broker inside."""
        return int(re.search(r"mqtt://127\.0\.0\.1:(\d+)", "".join(self.said)).group(1))

    def get(self, path):
        assert self.child.poll() is None, f"the daemon ended: {''.join(self.said[-10:])}"
        with urllib.request.urlopen(self.page + path, timeout=SOON) as answer:
            return answer.read().decode()

    def state(self):
        return json.loads(self.get("/api/v1/state"))

    def blocks(self):
        return [block["state"] for block in self.state()["blocks"].values()]

    def is_up(self, alarm):
        found = self.state()["alarms"].get(alarm)
        return bool(found) and found.get("active", False)

    def taken(self):
        counts = re.findall(r"^taillamp_messages_total\{.*\} (\d+)$", self.get("/metrics"), re.MULTILINE)
        return sum(map(int, counts))

    def memory_mb(self):
        status = pathlib.Path(f"/proc/{self.child.pid}/status").read_text()
        return int(re.search(r"VmRSS:\s*(\d+)", status).group(1)) / 1024

    def stop(self):
        self.child.terminate()
        try:
            self.child.wait(SOON)
        except subprocess.TimeoutExpired:
            self.child.kill()
            self.child.wait(SOON)


class Devices:
    """Every detector says twice a second what is in its block."""

    def __init__(self, port):
        self.lit = set()
        self.hush = False
        self.copies = 1
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self.client.reconnect_delay_set(0.2, 1)
        self.client.connect("127.0.0.1", port, keepalive=30)
        self.client.loop_start()
        self.ended = threading.Event()
        self.thread = threading.Thread(target=self.run, daemon=True)
        self.thread.start()

    def say(self, n, milliamperes, retain=False, **more):
        record = {"n": "current", "u": "mA", "v": milliamperes, **more}
        self.client.publish(f"{PREFIX}/detector/d{n}", json.dumps([record]), retain=retain)

    def run(self):
        while not self.ended.wait(0.4):
            for n in range(1, BLOCKS + 1):
                if not self.hush:
                    for _ in range(self.copies):
                        self.say(n, 12.0 if n in self.lit else 0.3)

    def stop(self):
        self.ended.set()
        self.thread.join(SOON)
        self.client.disconnect()
        self.client.loop_stop()


class Relay:
    """Between the daemon and the broker: passes on, late, slowly, or not at all."""

    def __init__(self, to):
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.to = to
        self.stuck = False
        self.delay_s = 0.0
        threading.Thread(target=self.accept, daemon=True).start()

    def accept(self):
        while True:
            try:
                near, _ = self.listener.accept()
                far = socket.create_connection(("127.0.0.1", self.to))
            except OSError:
                return
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self.pump, args=(one, other), daemon=True).start()

    def pump(self, one, other):
        # One that was stuck stays so: the peer is gone and nobody tells.
        stuck = False
        try:
            while data := one.recv(4096):
                stuck |= self.stuck
                if self.delay_s:
                    time.sleep(self.delay_s)
                if not stuck:
                    other.sendall(data)
        except OSError:
            pass
        for end in (one, other):
            if not stuck:
                end.close()


def active(daemon):
    return {name for name, alarm in daemon.state()["alarms"].items() if alarm.get("active")}


def settled(daemon):
    until("all is vacant", lambda: daemon.blocks() == ["vacant"] * BLOCKS)


def occupied_first(daemon, devices):
    devices.lit = {1}
    until("b1 is occupied", lambda: daemon.blocks()[0] == "occupied")


def loses_its_broker(daemon, devices, begin, end):
    """Nothing is called vacant that nobody speaks for; the page answers; it comes back by itself."""
    settled(daemon)
    occupied_first(daemon, devices)
    began = time.monotonic()
    begin()
    until("the alarm broker-lost", lambda: daemon.is_up("broker-lost:broker"))
    alarm_s = time.monotonic() - began
    until("nothing is vacant", lambda: "vacant" not in daemon.blocks())
    kept = daemon.state()["blocks"]["b1"]
    assert kept["state"] == "occupied" or kept["kept"] == "occupied", kept
    end()
    began = time.monotonic()
    want = ["occupied"] + ["vacant"] * (BLOCKS - 1)
    until("all is known again", lambda: daemon.blocks() == want, 60)
    until("the alarm returns", lambda: not daemon.is_up("broker-lost:broker"))
    return f"alarm after {alarm_s:.1f} s; all known again {time.monotonic() - began:.1f} s after the end"


def case_broker_killed(program, folder):
    "broker-lost; nothing vacant unheard; b1 kept; all back by itself"
    broker = Broker(folder)
    daemon = Daemon(program, folder, plan(f'url = "mqtt://127.0.0.1:{broker.port}"'))
    devices = Devices(broker.port)
    try:
        return loses_its_broker(daemon, devices, broker.kill, broker.start)
    finally:
        devices.stop()
        daemon.stop()
        broker.kill()


def case_broker_stalled(program, folder):
    "SIGSTOP: as if it were killed, though the connection stands"
    broker = Broker(folder)
    daemon = Daemon(program, folder, plan(f'url = "mqtt://127.0.0.1:{broker.port}"'))
    devices = Devices(broker.port)
    send = broker.child.send_signal
    try:
        return loses_its_broker(
            daemon, devices, lambda: send(signal.SIGSTOP), lambda: send(signal.SIGCONT)
        )
    finally:
        send(signal.SIGCONT)
        devices.stop()
        daemon.stop()
        broker.kill()


def case_half_open(program, folder):
    "TCP whose other end is gone and nobody tells: as if the broker were killed"
    broker = Broker(folder)
    relay = Relay(broker.port)
    daemon = Daemon(program, folder, plan(f'url = "mqtt://127.0.0.1:{relay.port}"'))
    devices = Devices(broker.port)
    try:
        return loses_its_broker(
            daemon, devices,
            lambda: setattr(relay, "stuck", True), lambda: setattr(relay, "stuck", False),
        )
    finally:
        relay.listener.close()
        devices.stop()
        daemon.stop()
        broker.kill()


def case_slow_broker(program, folder):
    "everything 0.3 s late: all is decided, nothing is called lost"
    broker = Broker(folder)
    relay = Relay(broker.port)
    relay.delay_s = 0.3
    daemon = Daemon(program, folder, plan(f'url = "mqtt://127.0.0.1:{relay.port}"'))
    devices = Devices(broker.port)
    try:
        settled(daemon)
        began = time.monotonic()
        occupied_first(daemon, devices)
        assert not daemon.is_up("broker-lost:broker")
        return f"occupied {time.monotonic() - began:.1f} s after the train came"
    finally:
        relay.listener.close()
        devices.stop()
        daemon.stop()
        broker.kill()


def case_clock_steps(program, folder):
    "the wall clock goes five hours on and eight back: no state moves, no timer fires"
    library = next(iter(pathlib.Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1")), None)
    assert library, "libfaketime is not installed"
    stamp = folder / "faketime"
    stamp.write_text("+0\n")
    env = {
        "LD_PRELOAD": str(library), "FAKETIME_TIMESTAMP_FILE": str(stamp),
        "DONT_FAKE_MONOTONIC": "1", "FAKETIME_DONT_FAKE_MONOTONIC": "1", "FAKETIME_NO_CACHE": "1",
    }
    daemon = Daemon(program, folder, plan('listen = "127.0.0.1:0"'), env)
    devices = Devices(daemon.inside())
    try:
        settled(daemon)
        occupied_first(daemon, devices)
        seen = []
        for step in ("+5h", "-3h"):
            before = daemon.state()["at"]
            up = active(daemon)
            stamp.write_text(step + "\n")
            until("the label follows", lambda: daemon.state()["at"][:13] != before[:13])
            watched = time.monotonic() + 3 * SILENCE_S
            while time.monotonic() < watched:
                now = daemon.state()
                assert [b["state"] for b in now["blocks"].values()] == (
                    ["occupied"] + ["vacant"] * (BLOCKS - 1)
                ), now["blocks"]
                assert active(daemon) <= up, (active(daemon), up)
                time.sleep(0.2)
            seen.append(f"{before[11:16]} to {daemon.state()['at'][11:16]}")
        return "; ".join(seen) + ": no state moved, no alarm came"
    finally:
        devices.stop()
        daemon.stop()


def case_doubled_late_and_old(program, folder):
    "doubled: as once; an older sample after a newer: dropped and counted; retained: decides nothing"
    broker = Broker(folder)
    early = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    early.connect("127.0.0.1", broker.port)
    early.loop_start()
    for n in range(1, BLOCKS + 1):
        record = json.dumps([{"n": "current", "u": "mA", "v": 0.3}])
        early.publish(f"{PREFIX}/detector/d{n}", record, qos=1, retain=True).wait_for_publish(SOON)
    daemon = Daemon(program, folder, plan(f'url = "mqtt://127.0.0.1:{broker.port}"'))
    devices = None
    try:
        until("the retained ones came", lambda: daemon.taken() >= BLOCKS)
        time.sleep(2.5)
        assert daemon.blocks() == ["unknown"] * BLOCKS, "old news made something known"
        devices = Devices(broker.port)
        devices.copies = 2
        settled(daemon)
        occupied_first(daemon, devices)
        devices.hush = True
        now = time.time()
        for age, milliamperes in ((0.0, 12.0), (-0.5, 0.3), (-1.0, 0.3), (-1.5, 0.3)):
            devices.say(1, milliamperes, t=now + age)
        late = until("they are counted", lambda: daemon.state()["detectors"]["d1"]["late"])
        assert daemon.blocks()[0] == "occupied", daemon.blocks()
        return f"{BLOCKS} retained: all unknown; {late} late ones dropped, b1 occupied"
    finally:
        if devices:
            devices.stop()
        early.loop_stop()
        daemon.stop()
        broker.kill()


def flood(port, seconds, rate):
    """One detector, so many messages a second, written as bare MQTT. How many were sent."""
    topic = f"{PREFIX}/detector/d{BLOCKS}".encode()
    body = b'[{"n":"current","u":"mA","v":0.3}]'
    packet = bytes([0x30, 2 + len(topic) + len(body), 0, len(topic)]) + topic + body
    with socket.create_connection(("127.0.0.1", port)) as line:
        line.sendall(bytes([0x10, 17, 0, 4]) + b"MQTT" + bytes([4, 2, 0, 60, 0, 5]) + b"flood")
        line.recv(4)
        began, sent = time.monotonic(), 0
        while (gone := time.monotonic() - began) < seconds:
            due = int(gone * rate) - sent
            if due > 0:
                line.sendall(packet * due)
                sent += due
            time.sleep(0.005)
    return sent


def case_ten_kilohertz(program, folder):
    "one detector at 10 kHz: the others are decided as ever, memory stays"
    daemon = Daemon(program, folder, plan('listen = "127.0.0.1:0"'))
    devices = Devices(daemon.inside())
    try:
        settled(daemon)
        before = daemon.memory_mb()
        counts = []
        thread = threading.Thread(target=lambda: counts.append(flood(daemon.inside(), 5, 10_000)))
        thread.start()
        began = time.monotonic()
        occupied_first(daemon, devices)
        took = time.monotonic() - began
        thread.join(SOON)
        after = daemon.memory_mb()
        assert took < 3 and after < before + 30, (took, before, after)
        return f"{counts[0]} sent; b1 occupied after {took:.2f} s; {before:.0f} then {after:.0f} MB"
    finally:
        devices.stop()
        daemon.stop()


def case_memory_limit(program, folder):
    "80 MB of data at most, and the flood: it goes on"
    daemon = Daemon(program, folder, plan('listen = "127.0.0.1:0"'), limit_mb=80)
    devices = Devices(daemon.inside())
    try:
        settled(daemon)
        sent = flood(daemon.inside(), 4, 20_000)
        occupied_first(daemon, devices)
        return f"{sent} sent; decides and answers with {daemon.memory_mb():.0f} MB"
    finally:
        devices.stop()
        daemon.stop()


def case_connections(program, folder):
    "10 000 connections to the page and the broker inside: refused beyond a limit, answers after"
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    want = 10_000
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    daemon = Daemon(program, folder, plan('listen = "127.0.0.1:0"'))
    devices = Devices(daemon.inside())
    held = []
    try:
        settled(daemon)
        before = daemon.memory_mb()
        web = int(daemon.page.rpartition(":")[2])
        opened = 0
        for number in range(want):
            try:
                one = socket.create_connection(
                    ("127.0.0.1", web if number % 2 else daemon.inside()), timeout=5
                )
                one.setblocking(False)
                held.append(one)
                opened += 1
            except OSError:
                pass
        # What the daemon refused is closed by it: a read gives the end.
        refused = 0
        time.sleep(1)
        for one in held:
            try:
                refused += one.recv(1) == b""
            except BlockingIOError:
                pass
            except OSError:
                refused += 1
        after = daemon.memory_mb()
        for one in held:
            one.close()
        held.clear()
        until("the page answers", lambda: answers(daemon))
        occupied_first(daemon, devices)
        assert daemon.child.poll() is None and after < before + 150, (before, after)
        return (
            f"{opened} opened, {refused} closed by the daemon; {before:.0f} then {after:.0f} MB; "
            "decides after"
        )
    finally:
        for one in held:
            one.close()
        devices.stop()
        daemon.stop()
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def answers(daemon):
    try:
        return daemon.get("/healthz") is not None
    except (urllib.error.URLError, ConnectionError, TimeoutError):
        return False


def soak(program, minutes):
    """Real time, 5 000 messages a second, a train that goes to and fro."""
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        daemon = Daemon(program, folder, plan('listen = "127.0.0.1:0"'))
        devices = Devices(daemon.inside())
        sent, memory, wrong, moves = [], [], 0, 0
        thread = threading.Thread(
            target=lambda: sent.append(flood(daemon.inside(), minutes * 60, 5_000))
        )
        try:
            settled(daemon)
            occupied_first(daemon, devices)
            thread.start()
            here = 1
            while thread.is_alive():
                there = 2 if here == 1 else 1
                devices.lit = {here, there}
                time.sleep(1)
                devices.lit = {there}
                time.sleep(4)
                here, moves = there, moves + 1
                now = daemon.state()
                blocks = [b["state"] for b in now["blocks"].values()]
                want = ["vacant"] * BLOCKS
                want[here - 1] = "occupied"
                wrong += blocks != want or len(now["trains"]) != 1
                memory.append(daemon.memory_mb())
            thread.join()
            third = max(len(memory) // 3, 1)
            early, late = sum(memory[:third]) / third, sum(memory[-third:]) / third
            taken = daemon.taken()
            print(
                f"soak: {minutes} min, {sent[0]} messages sent, {taken} taken (with the devices' own); "
                f"{moves} moves, {wrong} looks that were wrong; memory {early:.1f} MB in the first "
                f"third, {late:.1f} MB in the last"
            )
            good = wrong == 0 and late < early * 1.1 + 1 and taken >= sent[0]
            print("ok soak" if good else "FAIL soak")
            return good
        finally:
            devices.stop()
            daemon.stop()


def day(program, hours):
    """Busy running in virtual time, without mishaps, and with everything going wrong."""
    calm = simulated(program, hours, "off")
    rough = simulated(program, hours, "rough")
    return calm and rough


def simulated(program, hours, mishaps):
    """The memory of the replay, and its end: without mishaps no train is lost or made up."""
    seconds = int(hours * 3600)
    maker = pathlib.Path(program).with_name("make-recording")
    plan_file = pathlib.Path(__file__).resolve().parents[2] / "simulator/plans/demo.toml"
    made = subprocess.Popen(
        [maker, "--seconds", str(seconds), "--seed", "24", "--mishaps", mishaps],
        stdout=subprocess.PIPE,
    )
    replay = subprocess.Popen(
        [program, "replay", "--plan", plan_file, "/dev/stdin"],
        stdin=made.stdout, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )
    made.stdout.close()
    memory, lines, last, told = [], 0, "", {"new": 0, "lost": 0}
    for last in replay.stdout:
        lines += 1
        for event in told:
            told[event] += f'"event":"{event}"' in last
        if lines % 500 == 0 and replay.poll() is None:
            status = pathlib.Path(f"/proc/{replay.pid}/status").read_text()
            found = re.search(r"VmRSS:\s*(\d+)", status)
            memory += [int(found.group(1)) / 1024] if found else []
    codes = (made.wait(SOON), replay.wait(SOON))
    end = json.loads(last)
    blocks = end["snapshot"]["blocks"].values()
    known = sum(block["state"] != "unknown" for block in blocks)
    trains = len(end["snapshot"]["trains"])
    third = max(len(memory) // 3, 1)
    early, late = sum(memory[:third]) / third, sum(memory[-third:]) / third
    print(
        f"day: {hours} h, mishaps {mishaps}, {lines} lines out, ended {codes}; memory {early:.1f} MB "
        f"in the first third, {late:.1f} MB in the last, {max(memory):.1f} MB at most; {told['new']} "
        f"trains came, {told['lost']} lost; at the end {known} blocks known, {trains} trains, "
        f"{max(len(block['trains']) for block in blocks)} in one place"
    )
    good = codes == (0, 0) and late < early * 1.1 + 1 and known > 0
    if mishaps == "off":
        good &= told == {"new": trains, "lost": 0} and trains > 0
    print("ok day" if good else "FAIL day")
    return good


SHORT = ["doubled_late_and_old", "ten_kilohertz", "memory_limit"]
LONG = ["half_open", "broker_killed", "broker_stalled", "slow_broker", "clock_steps", "connections"]


def main(program, which, minutes="20"):
    if which == "soak":
        return soak(program, float(minutes))
    if which == "day":
        return day(program, float(minutes))
    names = SHORT if which == "short" else SHORT + LONG if which == "long" else [which]
    rows, good = [], True
    for name in names:
        case = globals()[f"case_{name}"]
        with tempfile.TemporaryDirectory() as folder:
            try:
                seen = case(program, pathlib.Path(folder))
                print(f"ok {name}", flush=True)
            except (AssertionError, OSError, urllib.error.URLError, KeyError) as error:
                seen, good = f"NOT SEEN: {error}", False
                print(f"FAIL {name}: {error}", flush=True)
        rows.append((name, case.__doc__, seen))
    for name, promised, seen in rows:
        print(f"\n{name}\n  promised: {promised}\n  seen:     {seen}")
    return good


if __name__ == "__main__":
    sys.exit(0 if main(*sys.argv[1:]) else 1)
