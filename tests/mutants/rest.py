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


def cargo(tree, environment, *words):
    command = ["cargo", *words]
    try:
        return subprocess.run(
            command, cwd=tree, env={**os.environ, **environment}, capture_output=True, text=True,
            timeout=NEVER_S,
        )
    except subprocess.TimeoutExpired:
        return None


def span_of(text, mutant):
    """Where the change begins and ends in the file."""
    starts = [0]
    for line in text.split("\n"):
        starts.append(starts[-1] + len(line) + 1)
    ends = (mutant["span"][end] for end in ("start", "end"))
    return tuple(starts[end["line"] - 1] + end["column"] - 1 for end in ends)


def changed(text, mutants):
    """The file with all these changes in it, none of which meet, and where each is then."""
    spans = sorted((*span_of(text, mutant), n) for n, mutant in enumerate(mutants))
    new, at, where = "", 0, {}
    for start, end, n in spans:
        new += text[at:start]
        where[n] = (len(new), len(new) + len(mutants[n]["replacement"]))
        new += mutants[n]["replacement"]
        at = end
    return new + text[at:], where


def layers(tree, mutants):
    """The changes in sets whose members do not meet."""
    found = []
    texts = {m["file"]: (tree / m["file"]).read_text() for m in mutants}
    for mutant in mutants:
        start, end = span_of(texts[mutant["file"]], mutant)
        for layer in found:
            spans = [s for f, s in layer["spans"] if f == mutant["file"]]
            if all(end <= other[0] or other[1] <= start for other in spans):
                break
        else:
            layer = {"mutants": [], "spans": []}
            found.append(layer)
        layer["mutants"].append(mutant)
        layer["spans"].append((mutant["file"], (start, end)))
    return [layer["mutants"] for layer in found]


def that_compile(tree, environment, mutants):
    """Those of a layer that compile: whoever an error speaks of is left out, until there is none."""
    while mutants:
        by_file = {}
        for mutant in mutants:
            by_file.setdefault(mutant["file"], []).append(mutant)
        texts, places = {}, {}
        for file, own in by_file.items():
            texts[file] = (tree / file).read_text()
            new, where = changed(texts[file], own)
            # The compiler counts bytes.
            bytes_to = lambda at: len(new[:at].encode())
            places[file] = [(bytes_to(a), bytes_to(b), own[n]) for n, (a, b) in where.items()]
            (tree / file).write_text(new)
        try:
            built = cargo(
                tree, environment, "check", "--quiet", "-p", "taillamp-engine",
                "--message-format=json",
            )
        finally:
            for file, text in texts.items():
                (tree / file).write_text(text)
        if built.returncode == 0:
            return mutants
        errors = []
        for line in built.stdout.splitlines():
            message = json.loads(line).get("message") if line.startswith("{") else None
            if message and message["level"] == "error":
                errors += [(s["file_name"], s["byte_start"], s["byte_end"]) for s in message["spans"]]
        out = {
            mutant["name"]
            for file, start, end in errors
            for a, b, mutant in places.get(file, [])
            if start <= b and a <= end
        }
        if not out:
            # An error elsewhere in a file: each of its changes by itself.
            files = {file for file, _, _ in errors}
            doubtful = [m for m in mutants if m["file"] in files]
            out = {
                m["name"] for m in doubtful
                if len(mutants) == 1 or not that_compile(tree, environment, [m])
            }
            if not out:
                raise SystemExit(f"these do not compile together: {errors[:3]}")
        mutants = [m for m in mutants if m["name"] not in out]
    return []


def noticed_by(tree, environment):
    """The test that noticed, or None."""
    for words in TESTS:
        ran = cargo(tree, environment, "test", "--quiet", *words)
        if ran is None:
            return "it does not end"
        if ran.returncode:
            by = re.search(r"^    (\w+(?:::\w+)*)$", ran.stdout, re.MULTILINE)
            return by[1] if by else "it does not build, or ends at once"
    return None


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
    asked = [m for m in rest if not parts or any(part in m["file"] for part in parts)]
    with kept.open("a") as out:

        def note(mutant, by):
            done[mutant["name"]] = by
            out.write(json.dumps({"mutant": mutant["name"], "by": by}) + "\n")
            out.flush()

        left = [mutant for mutant in asked if mutant["name"] not in done]
        viable = []
        for layer in layers(tree, left):
            viable += that_compile(tree, environment, layer)
        for mutant in left:
            if mutant not in viable:
                note(mutant, "unviable")
        print(f"{len(viable)} of {len(left)} compile, and are to be tried", flush=True)
        for mutant in viable:
            path = tree / mutant["file"]
            text = path.read_text()
            path.write_text(changed(text, [mutant])[0])
            try:
                by = noticed_by(tree, environment)
            finally:
                path.write_text(text)
            note(mutant, by)
            if by is None and not known.fullmatch(play.without_place(mutant["name"])):
                print(f"survives: {mutant['name']}", flush=True)
    of_these = [done[m["name"]] for m in rest if m["name"] in done]
    alive = of_these.count(None)
    unviable = of_these.count("unviable")
    noticed = len(of_these) - alive - unviable
    print(f"{len(of_these)} tried: {unviable} do not compile, {noticed} noticed, {alive} survive")


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    main(*sys.argv[1:])
