"""The API against its own description, by schemathesis (PyPI), which makes up requests.

api.py TAILLAMP [CASES]: starts the program with the demo's plan and lets schemathesis send about
CASES requests to each route: no server error, no status, media type, header or body that
/openapi.json does not name, and nothing taken that it forbids. A line 'ok NAME' or 'FAIL NAME: why'.
SEED=N plays one seed again; without it every run has a new one, which is printed. The daily test
gives a seed, so that the same sources give the same verdict; tests/long looks for what is new.

Two things are left out, and why: /events does not end; and whether a request that the description
allows is taken, because the description cannot know which ids there are.
"""

import os
import pathlib
import random
import re
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
CASES = "8"
DEADLINE_S = 600
CHECKS = [
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_headers_conformance",
    "response_schema_conformance",
    "negative_data_rejection",
    "unsupported_method",
]


def start(program, folder):
    plan = pathlib.Path(folder) / "plan.toml"
    ports = '\n[mqtt]\nlisten = "127.0.0.1:0"\n\n[web]\nlisten = "127.0.0.1:0"\n'
    plan.write_text((ROOT / "simulator/plans/demo.toml").read_text() + ports)
    child = subprocess.Popen(
        [program, "run", "--plan", plan],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        cwd=folder,
    )
    for line in child.stdout:
        found = re.search(r"The page: (http://\S+?)/?$", line.strip())
        if found:
            return child, found.group(1)
    raise AssertionError("the daemon ended before it told where its page is")


def main(program, cases=CASES):
    schemathesis = pathlib.Path(sys.executable).parent / "schemathesis"
    seed = os.environ.get("SEED") or str(random.SystemRandom().randrange(2**31))
    print(f"     seed {seed}, {cases} cases each", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        child, page = start(pathlib.Path(program).resolve(), folder)
        try:
            command = [schemathesis, "--no-color", "run", page + "/openapi.json"]
            command += ["--exclude-path", "/events", "--checks", ",".join(CHECKS)]
            command += ["--max-examples", cases, "--seed", seed, "--workers", "2"]
            command += ["--suppress-health-check", "all"]
            done = subprocess.run(
                command, cwd=folder, text=True, capture_output=True, timeout=DEADLINE_S
            )
            alive = child.poll() is None
        finally:
            child.terminate()
            child.wait(30)
    counted = re.search(r"(\d+) generated", done.stdout)
    name = "the API does what its description says"
    if done.returncode == 0 and alive and counted and int(counted.group(1)) > 200:
        print(f"ok   {name}, {counted.group(1)} requests")
        return 0
    why = "" if alive else "the daemon ended; "
    print(f"FAIL {name}: {why}seed {seed}\n{done.stdout[-6000:]}{done.stderr[-2000:]}")
    return 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
