"""The demo program from outside: what somebody sees who starts it for the first time.

demo.py DEMO cases: runs the cases, a line 'ok NAME' or 'FAIL NAME: why' each.
demo.py DEMO beside COMMAND...: runs a command while the demo runs, with its address in BASE_URL.

DEMO is the path of the built program. Every wait has a deadline and ends as soon as what it waits for
is there. Outside judges: promtool for /metrics (Prometheus text format 0.0.4), Python's JSON.
"""

import json
import os
import re
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request

SECONDS = 35
SOON = 30


class Demo:
    """The program, started on ports that the system chose, and what it has said so far."""

    def __init__(self, program, *options):
        command = [program, "--port", "0", "--mqtt-port", "0", *options]
        self.said = []
        self.child = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        self.reader = threading.Thread(target=self.read, daemon=True)
        self.reader.start()
        self.page = until("the demo tells where the page is", self.address)

    def read(self):
        for line in self.child.stdout:
            self.said.append(line)

    def address(self):
        if self.child.poll() is not None:
            raise AssertionError(f"the demo ended: {''.join(self.said)}")
        found = re.search(r"The page: (http://\S+?)/\n", "".join(self.said))
        return found and found.group(1)

    def get(self, path):
        with urllib.request.urlopen(self.page + path, timeout=SOON) as answer:
            return answer.read().decode()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.child.terminate()
        self.child.wait(SOON)


def until(what, probe, seconds=SOON):
    """What the probe answers, as soon as it answers something."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        found = probe()
        if found:
            return found
        time.sleep(0.1)
    raise AssertionError(f"not within {seconds} s: {what}")


def left_diverging_is_warned_of_and_it_ends_by_itself(program):
    with Demo(program, "--seconds", str(SECONDS)) as demo:

        def alarm():
            # At its end the demo closes the door: then there is no alarm any more.
            try:
                alarms = json.loads(demo.get("/api/v1/alarms"))
            except (urllib.error.URLError, ConnectionError):
                return None
            return [
                text
                for text in alarms
                if text.startswith("left-diverging:") and alarms[text]["state"] != "normal"
            ]

        found = until("an alarm left-diverging", alarm, SECONDS)
        assert found, found
        code = demo.child.wait(SECONDS + SOON)
        assert code == 0, f"exit code {code}: {''.join(demo.said)}"


def metrics_satisfy_promtool(program):
    with Demo(program) as demo:
        until("the demo is ready", lambda: ready(demo))
        text = demo.get("/metrics")
        assert "taillamp_block_state{" in text, text
        judged = subprocess.run(
            ["promtool", "check", "metrics"], input=text, text=True, capture_output=True
        )
        said = (judged.stdout + judged.stderr).strip()
        assert judged.returncode == 0 and not said, said


def ready(demo):
    try:
        return demo.get("/readyz") is not None
    except urllib.error.HTTPError:
        return None


def a_taken_port_is_told_by_its_option(program):
    for option, other in (("--port", "--mqtt-port"), ("--mqtt-port", "--port")):
        with socket.socket() as holder:
            holder.bind(("127.0.0.1", 0))
            holder.listen()
            port = str(holder.getsockname()[1])
            done = subprocess.run(
                [program, option, port, other, "0"], text=True, capture_output=True, timeout=SOON
            )
        lines = done.stderr.strip().splitlines()
        assert done.returncode == 4, f"exit code {done.returncode}"
        assert len(lines) == 1 and port in lines[0], lines
        assert f"({option})" in lines[0], f"{lines[0]!r} does not name {option}"


def an_interrupt_ends_it_in_order(program):
    with Demo(program) as demo:
        demo.child.send_signal(2)
        code = demo.child.wait(SOON)
        assert code == 0, f"exit code {code}: {''.join(demo.said)}"


def cases(program):
    failed = 0
    for case in (
        left_diverging_is_warned_of_and_it_ends_by_itself,
        metrics_satisfy_promtool,
        a_taken_port_is_told_by_its_option,
        an_interrupt_ends_it_in_order,
    ):
        name = case.__name__.replace("_", " ")
        try:
            case(program)
            print(f"ok   {name}", flush=True)
        except (AssertionError, OSError, subprocess.SubprocessError) as error:
            failed += 1
            print(f"FAIL {name}: {error}", flush=True)
    return 1 if failed else 0


def beside(program, command):
    with Demo(program) as demo:
        until("the demo is ready", lambda: ready(demo))
        return subprocess.run(command, env={**os.environ, "BASE_URL": demo.page}).returncode


if __name__ == "__main__":
    match sys.argv[1:]:
        case [program, "cases"]:
            sys.exit(cases(program))
        case [program, "beside", *command] if command:
            sys.exit(beside(program, command))
        case _:
            sys.exit("usage: demo.py DEMO cases | demo.py DEMO beside COMMAND...")
