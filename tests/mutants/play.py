#!/usr/bin/env python3
"""Mutation testing of the engine: which changes of it would no test notice?

    tests/mutants/play.py FOLDER [FILE-PART ...]

cargo-mutants says what to change; program.py puts all of it into one program, in a copy of the tree
in FOLDER; here each test says which mutants it meets, and each mutant is played against those that
meet it, quickest first, until one of them fails.
Who survives is printed and kept in FOLDER/played.jsonl; a run that was cut short goes on where it
was. Those that left.txt explains are only counted. With parts of file names only the mutants of those files are played. Hours; not a part of
./tests/run, and what it needs is not installed by that: `cargo install cargo-mutants --locked`, and
`pip install tree-sitter tree-sitter-rust` into a venv whose python runs this.
"""

import concurrent.futures
import json
import os
import pathlib
import re
import signal
import subprocess
import sys
import threading
import time

import program

ROOT = pathlib.Path(__file__).resolve().parents[2]
STAGES = ["replay", "rules", "road", "wire", "scoring", "engine", "peers", "properties"]
# A mutant never ends when its tests take so many times as long as without it, and so many seconds.
NEVER = (6, 20)
# A test that takes longer is played by itself.
LONG_S = 1.0
PLAYED = ROOT / "tests/mutants/played.txt"
# Those that no test notices and left.txt does not explain.
UNNOTICED = ROOT / "tests/mutants/unnoticed.txt"
# Of the evenings those of which everything published is known.
EVENINGS = ["some_evenings_are_these", "busy_evenings_are_these"]
# Whom no test of every day notices is played in these, of tests/long: stage and test.
MANY = [
    ("properties", "accounts::many_evenings_at_random_are_these"),
    ("scoring", "many_evenings_are_these"),
]
MANY_OF_PEERS = [("peers", "accounts::many_evenings_of_the_club_are_these")]
MANY_S = 900


def explained():
    """What left.txt says of changes that may go unnoticed: a pattern for all of them."""
    text = (pathlib.Path(__file__).parent / "left.txt").read_text()
    lines = [line.strip() for line in text.splitlines() if line.startswith("    ")]
    return re.compile("|".join(re.escape(line).replace(r"\*", ".*") for line in lines))


def sums(tree):
    """What each file of the engine is now, in short."""
    files = run(["git", "ls-tree", "-r", "HEAD", "src/engine"], tree).stdout.splitlines()
    return {line.split("\t")[1]: line.split()[2][:12] for line in files}


def played_before():
    """The files all of whose mutants were played, and what they were then."""
    if not PLAYED.exists():
        return {}
    lines = [line.split() for line in PLAYED.read_text().splitlines() if not line.startswith("#")]
    return {words[0]: words[1:] for words in lines}


def note_files(tree, mutants, placed, played):
    """Keeps which files are done: what each is, how many were played, how many noticed, who not."""
    known, now, done = explained(), sums(tree), played_before()
    done = {file: words for file, words in done.items() if now.get(file) == words[0]}
    left = UNNOTICED.read_text().splitlines() if UNNOTICED.exists() else []
    left = [name for name in left if name.split(":")[0] in done]
    for file in now:
        mine = [mutants[n]["name"] for n in placed if mutants[n]["file"] == file]
        if mine and all(name in played for name in mine):
            alive = [name for name in mine if played[name] is None]
            puzzles = [name for name in alive if not known.fullmatch(without_place(name))]
            why = len(alive) - len(puzzles)
            done[file] = [now[file], *map(str, (len(mine), len(mine) - len(alive), why))]
            left = [name for name in left if name.split(":")[0] != file] + puzzles
    UNNOTICED.write_text("".join(name + "\n" for name in sorted(left)))
    head = "# file, its git object, changes played, noticed, explained by left.txt: play.py writes this\n"
    PLAYED.write_text(head + "".join(" ".join([f, *done[f]]) + "\n" for f in sorted(done)))


def without_place(name):
    """A mutant's name without line and column: they move whenever anything else changes."""
    return re.sub(r":\d+:\d+", "", name, count=1)


def run(command, where, environment=None):
    return subprocess.run(
        command, cwd=where, env={**os.environ, **(environment or {})}, check=True,
        capture_output=True, text=True,
    )


def prepare(folder):
    """The copy, its mutants, the program of them all and its tests."""
    tree = folder / "main"
    if not tree.exists():
        run(["git", "clone", "--quiet", str(ROOT), str(tree)], folder)
        (folder / "shared").symlink_to(ROOT.parent / "shared")
    environment = {
        "CARGO_TARGET_DIR": str(folder / "target"),
        "CARGO_PROFILE_DEV_DEBUG": "0",
        "CARGO_PROFILE_DEV_OPT_LEVEL": "1",
    }
    kept = folder / "program.json"
    head = run(["git", "rev-parse", "HEAD"], tree).stdout
    if kept.exists() and (before := json.loads(kept.read_text()))["head"] == head:
        return tree, before["mutants"], set(before["placed"]), before["binaries"]
    run(["git", "checkout", "--quiet", "src/engine"], tree)
    listed = run(["cargo", "mutants", "--list", "--json", "-p", "taillamp-engine"], tree)
    mutants = json.loads(listed.stdout)
    placed = program.build(tree, mutants, environment)
    tests = [part for name in STAGES if name != "engine" for part in ("--test", name)]
    built = run(
        [
            "cargo", "test", "-p", "taillamp", "-p", "taillamp-engine", "-p", "taillamp-simulator",
            "--lib", *tests, "--no-run",
        ],
        tree, environment,
    )
    found = re.findall(r"Executable .*?\((\S+?)\)", built.stderr)
    binaries = {}
    for name in STAGES:
        stem = "taillamp_engine" if name == "engine" else name
        binaries[name] = next(path for path in found if pathlib.Path(path).name.startswith(stem + "-"))
    whole = {"head": head, "mutants": mutants, "placed": sorted(placed), "binaries": binaries}
    kept.write_text(json.dumps(whole))
    return tree, mutants, placed, binaries


def ran(tree, binary, arguments, environment, seconds):
    """The first test that fails, and how the program ended; it is cut short at either."""
    child = subprocess.Popen(
        [binary, "--test-threads", "1", *arguments],
        cwd=tree, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, start_new_session=True,
        env={**os.environ, **environment, "RUST_BACKTRACE": "0"}, text=True,
    )

    def end():
        try:
            os.killpg(child.pid, signal.SIGKILL)
        except ProcessLookupError:
            pass

    timer = threading.Timer(seconds, end)
    timer.start()
    noticed = (line.split()[1] for line in child.stdout if line.rstrip().endswith("... FAILED"))
    by = next(noticed, None)
    if by:
        end()
    code = child.wait()
    timer.cancel()
    return by, code


def tests_of(tree, name, binary):
    chosen = EVENINGS if name == "scoring" else []
    listed = run([binary, *chosen, "--list", "--format", "terse"], tree).stdout
    return [line.removesuffix(": test") for line in listed.splitlines() if line.endswith(": test")]


def learn(tree, binaries, folder):
    """Which mutants each test meets, and its seconds: by stage and test."""
    def met(name, test, number):
        notes = folder / f"met.{name}.{number}"
        notes.unlink(missing_ok=True)
        begin = time.monotonic()
        by, code = ran(
            tree, binaries[name], ["--exact", test], {"TAILLAMP_REACHED": str(notes)}, 3_600
        )
        if by or code:
            raise SystemExit(f"{name}: {test} fails without any mutant")
        numbers = set(map(int, notes.read_text().split())) if notes.exists() else set()
        notes.unlink(missing_ok=True)
        return name, test, (numbers, time.monotonic() - begin)

    met_by = {name: {} for name in STAGES}
    with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
        jobs = [
            pool.submit(met, name, test, number)
            for name, binary in binaries.items()
            for number, test in enumerate(tests_of(tree, name, binary))
        ]
        for job in concurrent.futures.as_completed(jobs):
            name, test, what = job.result()
            met_by[name][test] = what
    return met_by


def groups_of(met_by, n):
    """The tests that meet a mutant, quickest first: those of a program at once, long ones alone."""
    groups = []
    for name, tests in met_by.items():
        mine = {test: seconds for test, (numbers, seconds) in tests.items() if n in numbers}
        quick = {test: seconds for test, seconds in mine.items() if seconds < LONG_S}
        if quick:
            groups.append((sum(quick.values()), name, sorted(quick)))
        groups += [(seconds, name, [test]) for test, seconds in mine.items() if test not in quick]
    return sorted(groups)


def play(tree, binaries, met_by, n, many):
    """Who notices the mutant; None where none does, with whether any test met it at all."""
    groups = groups_of(met_by, n)
    for seconds, name, tests in groups:
        by, code = ran(
            tree, binaries[name], ["--exact", *tests], {"TAILLAMP_MUTANT": str(n)},
            NEVER[0] * seconds + NEVER[1],
        )
        if by or code:
            return f"{name}: {by or ('it does not end' if code < 0 else f'exit {code}')}", True
    for name, test in many:
        words = {"TAILLAMP_MUTANT": str(n), "TAILLAMP_LONG": "1"}
        by, code = ran(tree, binaries[name], ["--exact", test], words, MANY_S)
        if by or code:
            return f"{name}: {by or 'it does not end'}", True
    return None, bool(groups)


def main(folder, *parts):
    folder = pathlib.Path(folder).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    tree, mutants, placed, binaries = prepare(folder)
    print(f"{len(mutants)} mutants, {len(placed)} of them in the program")
    met_by = learn(tree, binaries, folder)
    print(f"{sum(map(len, met_by.values()))} tests", flush=True)
    known = explained()
    kept = folder / "played.jsonl"
    lines = kept.read_text().splitlines() if kept.exists() else []
    played = {record["mutant"]: record["by"] for record in map(json.loads, lines)}
    now, done = sums(tree), played_before()

    def is_asked(file):
        before = done.get(file, [None])[0]
        return any(part in file for part in parts) if parts else before != now[file]

    left = [
        n for n in sorted(placed)
        if mutants[n]["name"] not in played and is_asked(mutants[n]["file"])
    ]
    # Cut short, it notes what is done.
    asked_to_end = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: asked_to_end.set())
    with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool, kept.open("a") as out:
        def many(n):
            name = mutants[n]["name"]
            if known.fullmatch(without_place(name)):
                return []
            return MANY_OF_PEERS if "/border/" in name else MANY

        jobs = {pool.submit(play, tree, binaries, met_by, n, many(n)): n for n in left}
        for job in concurrent.futures.as_completed(jobs):
            if asked_to_end.is_set():
                pool.shutdown(wait=False, cancel_futures=True)
                break
            name, (by, met) = mutants[jobs[job]]["name"], job.result()
            played[name] = by
            out.write(json.dumps({"mutant": name, "by": by, "met": met}) + "\n")
            out.flush()
            if by is None and not known.fullmatch(without_place(name)):
                print(f"survives{'' if met else ', met by no test'}: {name}", flush=True)
    note_files(tree, mutants, placed, played)
    now = [mutant["name"] for mutant in mutants if mutant["name"] in played]
    alive = [name for name in now if played[name] is None]
    why = sum(known.fullmatch(without_place(name)) is not None for name in alive)
    print(f"{len(now)} played, {len(now) - len(alive)} noticed, {len(alive)} survive, {why} explained")


if __name__ == "__main__":
    if len(sys.argv) < 2:
        raise SystemExit(__doc__)
    main(*sys.argv[1:])
