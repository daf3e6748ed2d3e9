"""What a stranger on the network can try, and what the daemon goes on doing meanwhile.

The promises are those of DEVELOPERS.md, 'Security'. Addresses of 127.0.0.0/8 play the strangers.
"""

import json
import pathlib
import socket
import struct
import time

import stand as counts
from stand import ROOT, Stand, check, fetch, free_port, must, plan, run, state, until

CURRENT = '[{{"n":"current","u":"mA","v":{}}}]'
# Each attack comes from a stranger of its own: that a flood is over the daemon sees some time after
# its end, and refuses its address until then.
FLOOD, SLOW, ENDLESS, RUBBISH = ((f"127.0.0.{host}", 0) for host in (66, 67, 68, 69))


def resident(child):
    text = pathlib.Path(f"/proc/{child.pid}/status").read_text()
    return int(text.split("VmRSS:")[1].split()[0]) / 1024


def closed_by_peer(connection, wait):
    """Whether the other end closes it; what it says before is passed over."""
    connection.settimeout(wait)
    try:
        while connection.recv(65536):
            pass
        return True
    except TimeoutError:
        return False
    except OSError:
        return True


def stranger(who, port, first=b""):
    connection = socket.create_connection(("127.0.0.1", port), timeout=10, source_address=who)
    if first:
        connection.sendall(first)
    return connection


def test(program):
    with Stand(program) as stand:
        port = free_port()
        file = stand.write("plan.toml", plan(mqtt=f'[mqtt]\nlisten = "127.0.0.1:{port}"'))
        child, page = stand.daemon(file)
        web = int(page.rsplit(":", 1)[1])
        says = lambda ma: must("mosquitto_pub", "-p", port, "-q", "1", "-t", "wharf/detector/d-east",
                               "-m", CURRENT.format(ma))
        block = lambda: state(page)["blocks"]["east"]["state"]
        says(40)
        until("it works", lambda: block() == "occupied")
        before = resident(child)
        flood(web, port, says, block)
        slow(web)
        bodies(page, web)
        garbage(port, web)
        poison(port, page)
        says(40)
        until("it still works", lambda: block() == "occupied")
        grown = resident(child) - before
        check(f"after all of it the daemon works, {grown:.1f} MB larger, at most 16", grown < 16)


def flood(web, port, says, block):
    """A stranger opens as many connections as it can, and holds them."""
    held, refused = [], 0
    for _ in range(200):
        connection = stranger(FLOOD, web)
        held.append(connection)
    time_out = time.monotonic() + 20
    while time.monotonic() < time_out and refused < 200 - 64:
        refused = sum(1 for connection in held if is_closed(connection))
    check(f"of 200 connections of one address {200 - refused} are held, at most 64",
          200 - refused <= 64, str(200 - refused))
    brokers = [stranger(FLOOD, port) for _ in range(300)]
    says(0.2)
    until("it decides", lambda: block() != "occupied")
    check("others still see the page, and boards are still heard", True)
    for connection in held + brokers:
        connection.close()


def is_closed(connection):
    connection.setblocking(False)
    try:
        return connection.recv(1) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


def slow(web):
    """A client that never finishes: its head, or its body. Both tried at once, for both take long."""
    head = stranger(SLOW, web, b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ")
    post = (f"POST /api/v1/blocks/east/empty HTTP/1.1\r\nHost: 127.0.0.1:{web}\r\n"
            "Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{")
    body = stranger(SLOW, web, post.encode())
    began = time.monotonic()
    body.settimeout(60)
    answer = body.recv(4096).decode(errors="replace")
    check("a body that does not come is given up", " 408 " in answer.split("\r\n")[0], answer[:80])
    while time.monotonic() - began < 60:
        try:
            head.sendall(b"x")
        except OSError:
            break
        if is_closed(head):
            break
        head.setblocking(True)
        time.sleep(0.5)
    check(f"a head that drips is cut off after {time.monotonic() - began:.0f} s, at most 45",
          time.monotonic() - began < 45)


def bodies(page, web):
    status, text = fetch(page + "/api/v1/blocks/east/empty", data=b"x" * 100_000,
                         headers={"Content-Type": "application/json"})
    check("a body that is too long is refused", status in (0, 413), f"{status} {text[:100]}")
    status, _ = fetch(page + "/api/v1/state", headers={"Host": "evil.example"})
    check("a foreign Host is refused", status == 421, str(status))
    post = (f"POST /api/v1/blocks/east/empty HTTP/1.1\r\nHost: 127.0.0.1:{web}\r\n"
            "Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n")
    chunked = stranger(ENDLESS, web, post.encode())
    sent = 0
    try:
        while sent < 50_000_000:
            chunked.sendall(b"10000\r\n" + b"x" * 65536 + b"\r\n")
            sent += 65536
    except OSError:
        pass
    check(f"a body without an end is cut off after {sent // 1024} KiB, at most 8 MiB", sent < 8 << 20)


def garbage(port, web):
    packets = [
        b"\x10\xff\xff\xff\x7f", b"\x00" * 64, b"\xff" * 64, b"GET / HTTP/1.1\r\n\r\n",
        b"\x10\x0e\x00\x04MQTT\x09\x02\x00\x3c\x00\x02ab", b"\x30\x05\x00\x03a/b",
        b"\x10\x10\x00\x04MQTT\x04\x02\x00\x3c\x00\x04\xff\xfe\xfd\xfc",
    ]
    open_after = [packet for packet in packets
                  if not closed_by_peer(stranger(RUBBISH, port, packet), 15)]
    check("the broker closes who does not speak MQTT 3.1.1", not open_after, str(open_after))
    answer = stranger(RUBBISH, web, b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc" + struct.pack("32x"))
    check("the page closes who does not speak HTTP", closed_by_peer(answer, 40))


def poison(port, page):
    """Rubbish, also left on the broker for whoever comes next. Old readings: see mosquitto.py."""
    keep = lambda topic, payload: must("mosquitto_pub", "-p", port, "-q", "1", "-r", "-t", topic,
                                       "-m", payload)
    keep("wharf/position/w1", "[" * 5000)
    keep("wharf/node/board-1", '{"n":' * 100)
    keep("wharf/detector/<script>alert(1)</script>", "\u202e<b>")
    keep("wharf/state/train/t99", '{"state":"moving"}')
    must("mosquitto_pub", "-p", port, "-q", "1", "-t", "wharf/detector/d-west", "-s",
         input="x" * 200_000)
    until("all of it is counted", lambda: counted(page, "malformed") >= 3)
    check("rubbish is counted, and proves nothing",
          state(page)["blocks"]["west"]["state"] in ("unknown",)
          and state(page)["turnouts"]["w1"]["position"] == "unknown", json.dumps(state(page))[:400])


def counted(page, outcome):
    text = fetch(page + "/metrics")[1]
    found = [line for line in text.splitlines()
             if line.startswith(f'taillamp_messages_total{{outcome="{outcome}"}}')]
    return int(float(found[0].split()[1])) if found else 0


def words(program):
    """A hostile plan and a hostile operator, on the page, in a browser."""
    bad = "<img src=x onerror=hit()>"
    with Stand(program) as stand:
        port = free_port()
        text = plan(mqtt=f'[mqtt]\nlisten = "127.0.0.1:{port}"\naccept_commands = true')
        text = text.replace('name = "Wharf Lane"', f'name = "{bad}"')
        for kind, name in [("block", "east"), ("detector", "d-east"), ("turnout", "w1")]:
            text = text.replace(f'[[{kind}]]\nid = "{name}"', f'[[{kind}]]\nid = "{name}"\nname = "{bad}"')
        _, page = stand.daemon(stand.write("plan.toml", text))
        must("mosquitto_pub", "-p", port, "-q", "1", "-t", "wharf/detector/d-east", "-m",
             CURRENT.format(40))
        word = json.dumps({"who": bad, "why": bad})
        must("mosquitto_pub", "-p", port, "-q", "1", "-u", "sam", "-P", "x", "-t",
             "wharf/do/out-of-service/d-west", "-m", word)
        until("the train is followed", lambda: state(page)["trains"])
        train = next(iter(state(page)["trains"]))
        must("mosquitto_pub", "-p", port, "-q", "1", "-u", "sam", "-P", "x", "-t",
             f"wharf/do/name/{train}", "-m", json.dumps({"name": bad}))
        until("the name is taken", lambda: bad in json.dumps(state(page)["trains"]))
        done = run("node", ROOT / "tests/deploy/hostile.mjs", page)
        print(done.stdout, end="")
        lines = done.stdout.splitlines()
        check("a browser has looked at every view", done.returncode == 0 and len(lines) > 8,
              done.stderr[-500:])
        counts.failures += sum(line.startswith("FAIL") for line in lines)


def guesses(program):
    """PINs, tried from many addresses at once: no way round the wait that is the same for all."""
    with Stand(program) as stand:
        must(program, "init", "--dir", stand.folder / "init", "--pin", "2468")
        _, page = stand.daemon(stand.write("plan.toml", plan(web_more='pin_file = "init/pin"')))
        web = int(page.rsplit(":", 1)[1])

        def enter(pin, address):
            body = json.dumps({"pin": pin}).encode()
            text = (f"POST /api/v1/session HTTP/1.1\r\nHost: 127.0.0.1:{web}\r\nConnection: close\r\n"
                    f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n").encode()
            with socket.create_connection(("127.0.0.1", web), 30, (address, 0)) as connection:
                connection.sendall(text + body)
                return int(connection.recv(4096).split()[1])

        answers = [enter(f"{n:04}", f"127.0.0.{n + 2}") for n in range(30)]
        tried = answers.count(403)
        check(f"of 30 PINs from 30 addresses {tried} are looked at, the others must wait",
              tried <= 10 and set(answers) <= {403, 429}, str(answers))
        check("and so must the right one", enter("2468", "127.0.0.99") == 429)
