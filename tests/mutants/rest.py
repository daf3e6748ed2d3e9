#!/usr/bin/env python3
"""The changes of the engine that play.py cannot put into one program: built and tried one by one.

    tests/mutants/rest.py FOLDER [FILE-PART ...]

FOLDER is play.py's: its program.json tells which are left. Most do not compile (a `Default` that a
type has not, `||` in a chain of `let`): those are counted. The others are tried against the tests
that take seconds, then the longer ones, until one fails. Who survives is printed; everything is
kept in FOLDER/rest.jsonl, and a run that was cut short goes on where it was.
"""

import json
import os
import pathlib
import re
import subprocess
import sys

import play

TESTS = [
    ["-p", "taillamp-engine", "--lib"],
    ["-p", "taillamp", "--test", "rules"],
    ["-p", "taillamp", "--test", "replay", "--test", "road", "--test", "properties"],
    ["-p", "taillamp", "--test", "peers"],
    ["-p", "taillamp-simulator", "--test", "scoring", "--", "evenings_are_these"],
]
# Longer than any of them takes.
NEVER_S = 900


def changed(text, mutant):
    """The file with the change in it."""
    starts = [0]
    for line in text.split("\n"):
        starts.append(starts[-1] + len(line) + 1)

    def offset(place):
        return starts[place["line"] - 1] + place["column"] - 1

    span = mutant["span"]
    return text[: offset(span["start"])] + mutant["replacement"] + text[offset(span["end"]) :]


def cargo(tree, environment, *words):
    command = ["nice", "cargo", *words]
    try:
        return subprocess.run(
            command, cwd=tree, env={**os.environ, **environment}, capture_output=True, text=True,
            timeout=NEVER_S,
        )
    except subprocess.TimeoutExpired:
        return None


def tried(tree, environment, mutant):
    """What became of it: `unviable`, the test that noticed, or None."""
    path = tree / mutant["file"]
    text = path.read_text()
    path.write_text(changed(text, mutant))
    try:
        built = cargo(tree, environment, "check", "--quiet", "-p", "taillamp-engine")
        if built is None or built.returncode:
            return "unviable"
        for words in TESTS:
            ran = cargo(tree, environment, "test", "--quiet", *words)
            if ran is None:
                return "it does not end"
            if ran.returncode:
                by = re.search(r"^    (\w+(?:::\w+)*)$", ran.stdout, re.MULTILINE)
                return by[1] if by else "it does not build, or ends at once"
        return None
    finally:
        path.write_text(text)


def main(folder, *parts):
    folder = pathlib.Path(folder).resolve()
    program = json.loads((folder / "program.json").read_text())
    tree = folder / "rest"
    if not tree.exists():
        play.run(["git", "clone", "--quiet", str(play.ROOT), str(tree)], folder)
    play.run(["git", "fetch", "--quiet"], tree)
    play.run(["git", "checkout", "--quiet", "--force", program["head"].strip()], tree)
    environment = {
        "CARGO_TARGET_DIR": str(folder / "rest-target"),
        "CARGO_PROFILE_DEV_DEBUG": "0",
        "CARGO_PROFILE_DEV_OPT_LEVEL": "1",
        "RUST_BACKTRACE": "0",
    }
    kept = folder / "rest.jsonl"
    lines = kept.read_text().splitlines() if kept.exists() else []
    done = {record["mutant"]: record["by"] for record in map(json.loads, lines)}
    placed, known = set(program["placed"]), play.explained()
    rest = [m for n, m in enumerate(program["mutants"]) if n not in placed]
    with kept.open("a") as out:
        for mutant in rest:
            name = mutant["name"]
            if name in done or (parts and not any(part in mutant["file"] for part in parts)):
                continue
            by = done[name] = tried(tree, environment, mutant)
            out.write(json.dumps({"mutant": name, "by": by}) + "\n")
            out.flush()
            if by is None and not known.fullmatch(play.without_place(name)):
                print(f"survives: {name}", flush=True)
    of_these = [done[m["name"]] for m in rest if m["name"] in done]
    alive = of_these.count(None)
    unviable = of_these.count("unviable")
    noticed = len(of_these) - alive - unviable
    print(f"{len(of_these)} tried: {unviable} do not compile, {noticed} noticed, {alive} survive")


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    main(*sys.argv[1:])
