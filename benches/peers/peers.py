"""The daemon beside a client that only counts and beside the same job in a scripting language,
through one Mosquitto, in one run. Called by ./tests/bars peers; prints, and judges nothing.

    peers.py TAILLAMP PEERS PYTHON [SVG]
"""

import os
import pathlib
import re
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request

HERE = pathlib.Path(__file__).resolve().parent
BLOCKS = 1_000
# Of the blocks, those of the ring; behind each tenth of them stands a turnout to a spur.
RING = 900
SPURS = BLOCKS - RING
RATE = 15_000
SECONDS = 8
ROUNDS = 3
TICK = os.sysconf("SC_CLK_TCK")


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def ring(port):
    """A ring with a turnout to a spur every so many blocks; blocks and detectors share numbers."""
    lines = [
        '[layout]\nname = "Ring"\nscale = "HO"\ntopic_prefix = "ring"\n'
        f'[mqtt]\nurl = "mqtt://127.0.0.1:{port}"\n[web]\nlisten = "127.0.0.1:0"\n'
    ]
    for n in range(1, BLOCKS + 1):
        lines.append(
            f'[[block]]\nid = "b{n}"\nlength_mm = 1000\n'
            f'[[detector]]\nid = "d{n}"\nkind = "current"\nblock = "b{n}"\non = 3.0\noff = 1.5\n'
        )
    for n in range(1, RING + 1):
        here, next_one = f"b{n}", f"b{n % RING + 1}"
        spur = n * SPURS // RING
        if spur == (n - 1) * SPURS // RING:
            lines.append(f'[[join]]\nends = ["{here}.b", "{next_one}.a"]\n')
            continue
        lines.append(
            f'[[turnout]]\nid = "p{spur}"\ntoe = "{here}.b"\nnormal = "{next_one}.a"\n'
            f'reverse = "b{RING + spur}.a"\ncovered_by = "{here}"\n'
        )
    return "\n".join(lines)


def spent(pid):
    fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICK


def resident(pid):
    status = pathlib.Path(f"/proc/{pid}/status").read_text()
    return int(re.search(r"VmRSS:\s*(\d+)", status).group(1)) / 1024


class Peer:
    """A client under measurement; `count()` is how many messages it has taken."""

    def __init__(self, name, command, folder):
        self.name = name
        self.child = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        self.page = None
        for line in self.child.stdout:
            found = re.search(r"The page: (http://\S+?)/?$", line.strip())
            if found:
                self.page = found.group(1)
            if found or line.strip() == "ready":
                break
        if name == "taillamp":
            deadline = time.monotonic() + 20
            while "taillamp_broker_connected 1" not in self.get("/metrics"):
                if time.monotonic() > deadline:
                    raise SystemExit("the daemon does not reach the broker")
                time.sleep(0.05)

    def get(self, path):
        with urllib.request.urlopen(self.page + path) as answer:
            return answer.read().decode()

    def messages(self):
        """How many detector messages it says that it has taken."""
        counts = re.findall(
            r"^(?:taillamp_messages_total\{.*\}|samples_total) ([0-9.]+)$",
            self.get("/metrics"), re.MULTILINE,
        )
        return int(sum(map(float, counts)))

    def end(self):
        """Stops it; how many messages it took."""
        if self.page:
            taken = self.messages()
            self.child.terminate()
            self.child.wait(20)
            return taken
        self.child.stdin.close()
        number = int(self.child.stdout.read().split()[-1])
        self.child.wait(20)
        return number


def packets(occupied):
    """One sample of every block; one block in a hundred is occupied, or none."""
    out = []
    for n in range(BLOCKS):
        amperes = "0.0124" if occupied and n % 100 == 0 else "0.0003"
        out.append(packet(f"detector/d{n + 1}", f'[{{"n":"current","u":"A","v":{amperes}}}]'))
    return out


def packet(topic, body):
    """A message as bare MQTT at QoS 0."""
    topic, body = f"ring/{topic}".encode(), body.encode()
    return bytes([0x30, 2 + len(topic) + len(body), 0, len(topic)]) + topic + body


def send(port, rate, seconds, occupied=True):
    """Samples round robin, so many a second; with a rate of 0 as fast as the broker takes them."""
    each, batch = packets(occupied), 50
    groups = [b"".join(each[at : at + batch]) for at in range(0, BLOCKS, batch)]
    normal = [
        packet(f"position/p{n}", '[{"n":"position","vs":"normal"}]') for n in range(1, SPURS + 1)
    ]
    with socket.create_connection(("127.0.0.1", port)) as line:
        line.sendall(bytes([0x10, 18, 0, 4]) + b"MQTT" + bytes([4, 2, 0, 60, 0, 6]) + b"sender")
        line.recv(4)
        line.sendall(b"".join(normal))
        began, sent = time.monotonic(), 0
        while (gone := time.monotonic() - began) < seconds:
            if rate and sent > rate * gone:
                time.sleep((sent - rate * gone) / rate)
            line.sendall(groups[sent // batch % len(groups)])
            sent += batch
        took = time.monotonic() - began
    return sent + SPURS, took


def quiet(pid):
    """Waits until a process has stopped working: it has taken what there was."""
    before = spent(pid)
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        time.sleep(0.5)
        now = spent(pid)
        if now - before <= 2 / TICK:
            return
        before = now


def measure(name, command, port, rate, seconds, folder):
    """CPU microseconds a message, messages taken a second, share taken, memory in MB."""
    peer = Peer(name, command, folder)
    began = spent(peer.child.pid)
    sent, took = send(port, rate, seconds)
    quiet(peer.child.pid)
    used = spent(peer.child.pid) - began
    if peer.page:
        # Somebody has looked at it.
        for path in ("/", "/api/v1/state", "/metrics"):
            peer.get(path)
    memory = resident(peer.child.pid)
    taken = peer.end()
    return used / max(taken, 1) * 1e6, taken / took, taken / sent, memory


def middle(rows):
    return [sorted(column)[len(column) // 2] for column in zip(*rows)]


def clock(peers, port, what):
    out = subprocess.run(
        [peers, what, str(port), str(RING), str(20)], capture_output=True, text=True, check=True
    ).stdout.split()
    return [float(word) for word in out]


def draw(svg, rows):
    """Bars, each against the counting client."""
    base = rows["counting client"]
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" width="640" height="220" font-family="sans-serif"'
        ' font-size="12"><title>CPU a message and memory, as multiples of a client that only counts'
        "</title>",
        '<rect width="640" height="220" fill="#fff"/>',
    ]
    top = max(row[0] / base[0] for row in rows.values())
    memory_top = max(row[3] / base[3] for row in rows.values())
    for index, (name, row) in enumerate(rows.items()):
        y = 30 + index * 62
        parts.append(f'<text x="10" y="{y}">{name}</text>')
        for offset, (what, value, most) in enumerate(
            (("CPU", row[0] / base[0], top), ("memory", row[3] / base[3], memory_top))
        ):
            width = 380 * value / most
            colour = "#0072B2" if offset == 0 else "#E69F00"
            parts.append(
                f'<rect x="90" y="{y + 6 + offset * 20}" width="{width:.0f}" height="15" fill="{colour}"/>'
                f'<text x="20" y="{y + 18 + offset * 20}">{what}</text>'
                f'<text x="{96 + width:.0f}" y="{y + 18 + offset * 20}">{value:.2f}</text>'
            )
    parts.append("</svg>")
    pathlib.Path(svg).write_text("\n".join(parts) + "\n")


def main(taillamp, peers, python, svg=None):
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        port = free_port()
        (folder / "broker.conf").write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nset_tcp_nodelay true\n"
        )
        (folder / "ring.toml").write_text(ring(port))
        broker = subprocess.Popen(
            ["mosquitto", "-c", str(folder / "broker.conf")],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        try:
            deadline = time.monotonic() + 10
            while time.monotonic() < deadline:
                try:
                    socket.create_connection(("127.0.0.1", port)).close()
                    break
                except OSError:
                    time.sleep(0.02)
            run(taillamp, peers, python, folder, port, svg)
        finally:
            broker.terminate()
            broker.wait(10)


def service_environment():
    """The words before a command that give it the environment that the service has."""
    service = (HERE.parents[1] / "deploy/taillamp.service").read_text()
    lines = re.findall(r"^Environment=(MALLOC_.*)$", service, re.MULTILINE)
    return ["env", *" ".join(lines).split()]


def run(taillamp, peers, python, folder, port, svg):
    # "-": without the client that counts, and without the clock.
    commands = {
        "counting client": [peers, "count", str(port)],
        # As the service has it.
        "taillamp": [*service_environment(), taillamp, "run", "--plan", str(folder / "ring.toml")],
        "scripting": [python, str(HERE / "scripting.py"), str(folder / "ring.toml")],
    }
    if peers == "-":
        del commands["counting client"]
    print(f"\npeers: {BLOCKS} blocks, 36-byte samples at QoS 0 through one Mosquitto; the middle of {ROUNDS}")
    print(f"       CPU at {RATE} messages/s for {SECONDS} s; then as fast as the broker takes them")
    paced, flat = {}, {}
    for _ in range(ROUNDS):
        for name, command in commands.items():
            rate = RATE if name != "scripting" else RATE // 2
            paced.setdefault(name, []).append(
                measure(name, command, port, rate, SECONDS, folder)
            )
            flat.setdefault(name, []).append(measure(name, command, port, 0, 4, folder))
    rows = {name: middle(of) for name, of in paced.items()}
    fast = {name: middle(of) for name, of in flat.items()}
    first = next(iter(rows))
    base = rows[first]
    for name, row in rows.items():
        print(
            f"  {name:>16}: {row[0]:6.2f} us/message ({row[0] / base[0]:.2f} x), "
            f"{row[3]:5.1f} MB ({row[3] / base[3]:.2f} x), {row[2] * 100:.1f} % taken; at full speed "
            f"{fast[name][1]:,.0f}/s ({fast[name][1] / fast[first][1]:.2f} x), "
            f"{fast[name][0]:.2f} us/message, {fast[name][2] * 100:.0f} % taken"
        )
    script = rows["scripting"]
    print(
        f"  taillamp to scripting: CPU {rows['taillamp'][0] / script[0]:.2f}, "
        f"memory {rows['taillamp'][3] / script[3]:.2f}"
    )
    if peers == "-":
        return
    daemon = Peer("taillamp", commands["taillamp"], folder)
    # What is occupied already is told once, and not again when a train comes.
    send(port, 1_000, 4, occupied=False)
    of_state = clock(peers, port, "state")
    echo = clock(peers, port, "echo")
    daemon.end()
    print(f"  entry to state published and received, {of_state[0]:.0f} entries ({of_state[4]:.0f} open):")
    for what, row in (("state", of_state), ("echo", echo)):
        print(f"  {what:>16}: p50 {row[1]:.0f}, p99 {row[2]:.0f}, p99.9 {row[3]:.0f} us")
    print(f"  p99 against the broker's own round trip: {of_state[2] / echo[2]:.2f} x")
    if svg:
        draw(svg, rows)


if __name__ == "__main__":
    main(*sys.argv[1:])
