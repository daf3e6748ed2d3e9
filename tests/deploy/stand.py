"""What the deployment tests share: processes that are ended, ports that are free, waits with a deadline."""

import http.client
import itertools
import json
import os
import pathlib
import re
import shutil
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
DEADLINE_S = 30

failures = 0
lock = threading.Lock()
given = itertools.count()


def check(what, held, why=""):
    """One line for the count of tests/run."""
    global failures
    line = f"{'ok' if held else 'FAIL'} {what}" + (f": {why}" if why and not held else "")
    # In one piece: several parts speak at a time.
    with lock:
        sys.stdout.write(line + "\n")
        sys.stdout.flush()
        failures += not held
    return held


def free_port():
    """Below what the system itself hands out, and none twice (see tests/daemon/port.rs)."""
    for turn in given:
        port = 16384 + (os.getpid() * 257 + turn) % 16384
        with socket.socket() as asked:
            # As the servers do: a port is free while an old connection of it still lingers.
            asked.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                asked.bind(("127.0.0.1", port))
            except OSError:
                continue
        return port


def until(what, ask):
    """The first answer that says something; a failure after the deadline."""
    deadline = time.monotonic() + DEADLINE_S
    while time.monotonic() < deadline:
        answer = ask()
        if answer:
            return answer
        time.sleep(0.02)
    raise AssertionError(f"within {DEADLINE_S} s it did not come: {what}")


def run(*command, **more):
    """A command to its end; what it said."""
    more.setdefault("timeout", 120)
    more.setdefault("stdin", subprocess.DEVNULL)
    if "input" in more:
        del more["stdin"]
    return subprocess.run([str(word) for word in command], capture_output=True, text=True, **more)


def must(*command, **more):
    done = run(*command, **more)
    if done.returncode != 0:
        raise AssertionError(f"{' '.join(map(str, command))}: {done.stdout}{done.stderr}")
    return done.stdout


class Stand:
    """A folder and processes; both are gone at the end."""

    def __init__(self, program):
        self.program = pathlib.Path(program).resolve()
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="taillamp-deploy-"))
        self.children = []

    def __enter__(self):
        return self

    def __exit__(self, *_):
        for child in reversed(self.children):
            if child.poll() is None:
                child.terminate()
                try:
                    child.wait(DEADLINE_S)
                except subprocess.TimeoutExpired:
                    child.kill()
                    child.wait()
        shutil.rmtree(self.folder, ignore_errors=True)

    def write(self, name, text):
        file = self.folder / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text)
        return file

    def start(self, *command, log="log", **more):
        """A process whose output goes into a file of the folder."""
        with (self.folder / log).open("ab") as out:
            child = subprocess.Popen(
                [str(word) for word in command], stdin=subprocess.DEVNULL, stdout=out, stderr=out,
                cwd=self.folder, **more,
            )
        self.children.append(child)
        return child

    def said(self, log):
        return (self.folder / log).read_text(errors="replace")

    def daemon(self, plan, log="daemon", **more):
        """A daemon for a plan; the process and the page's address once it is told."""
        child = self.start(self.program, "run", "--plan", plan, log=log, **more)

        def told():
            if child.poll() is not None:
                raise AssertionError(f"the daemon ended: {self.said(log)}")
            return re.search(r"The page: (https?://\S+?)/?\s", self.said(log))

        return child, until("the daemon tells where its page is", told).group(1)


def fetch(url, ca=None, data=None, headers=None, timeout=10):
    """Status and body; 0 and the reason where there was no answer."""
    context = ssl.create_default_context(cafile=ca) if ca else None
    request = urllib.request.Request(url, data=data, headers=headers or {})
    try:
        with urllib.request.urlopen(request, context=context, timeout=timeout) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode(errors="replace")
    except (urllib.error.URLError, http.client.HTTPException, OSError) as error:
        return 0, str(error)


def state(page):
    return json.loads(fetch(page + "/api/v1/state")[1])


# Wharf Lane, an invented layout, with two boards: each carries one detector, the second the points.
PLAN = """
[layout]
name = "Wharf Lane"
scale = "HO"
topic_prefix = "wharf"

{mqtt}

[web]
listen = "127.0.0.1:{web}"
{web_more}

[journal]
path = "journal.db"

[defaults]
release_s = 0.1
boot_s = 0

[[node]]
id = "board-1"

[[node]]
id = "board-2"

[[block]]
id = "east"

[[block]]
id = "west"

[[block]]
id = "siding"
use = "siding"

[[turnout]]
id = "w1"
toe = "east.b"
normal = "west.a"
reverse = "siding.a"
node = "board-2"

[[detector]]
id = "d-east"
kind = "current"
block = "east"
on = 3.0
off = 1.5
max_silence_s = 300
node = "board-1"

[[detector]]
id = "d-west"
kind = "current"
block = "west"
on = 3.0
off = 1.5
max_silence_s = 300
node = "board-2"

[[detector]]
id = "d-beam"
kind = "optical"
turnout = "w1"
leg = "reverse"
unit = "%"
on = 40.0
off = 60.0
max_silence_s = 300
node = "board-1"
"""


def plan(web=0, mqtt='[mqtt]\nlisten = "127.0.0.1:0"', web_more=""):
    return PLAN.format(web=web, mqtt=mqtt, web_more=web_more)
