"""What systemd is told, and what it lets the service do; man pages, scripts, parts list."""

import json
import os
import re
import shutil
import signal
import socket
import time

from stand import ROOT, Stand, check, must, plan, run, until

UNIT = ROOT / "deploy/taillamp.service"
# systemd-analyze security: 0 is locked up, 10 is open.
EXPOSURE_MAX = 2.0


def unit():
    text = must("systemd-analyze", "security", "--offline=true", "--no-pager", UNIT)
    exposure = float(re.search(r"Overall exposure level for \S+: ([\d.]+)", text).group(1))
    check(f"systemd-analyze: exposure {exposure}, at most {EXPOSURE_MAX}", exposure <= EXPOSURE_MAX)
    said = run("systemd-analyze", "verify", "--man=no", UNIT).stderr
    # The program is not installed where the tests run; everything else must be right.
    wrong = [line for line in said.splitlines() if "is not executable" not in line and line.strip()]
    check("systemd-analyze verify has nothing against the unit", not wrong, "\n".join(wrong))


def notified(program):
    """READY once it answers, then WATCHDOG while its loop turns, STOPPING at the end."""
    with Stand(program) as stand:
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        listener.bind(str(stand.folder / "notify"))
        listener.settimeout(30)
        env = dict(os.environ, NOTIFY_SOCKET=str(stand.folder / "notify"), WATCHDOG_USEC="300000")
        env.pop("WATCHDOG_PID", None)
        file = stand.write("plan.toml", plan())
        child, _ = stand.daemon(file, env=env)
        first = listener.recv(4096).decode()
        check("it says that it is ready, and of what", "READY=1" in first and "Wharf Lane" in first,
              first)
        heard = [listener.recv(4096).decode() for _ in range(5)]
        check("it says that it lives", all("WATCHDOG=1" in word for word in heard), str(heard))
        # A process that stands still says nothing: so systemd ends it and starts it again.
        child.send_signal(signal.SIGSTOP)
        until("it stands still", lambda: stopped(child.pid))
        listener.setblocking(False)
        drain(listener)
        listener.settimeout(1.0)
        silent = False
        try:
            listener.recv(4096)
        except TimeoutError:
            silent = True
        check("standing still, it says nothing for more than three times the limit", silent)
        child.send_signal(signal.SIGCONT)
        child.terminate()
        listener.settimeout(30)
        word = ""
        while "STOPPING=1" not in word:
            word = listener.recv(4096).decode()
        check("it says that it stops, and ends well", child.wait(30) == 0)
        listener.close()
        # Exit 1 is the one that systemd must not try again: the unit says so.
        broken = stand.write("broken.toml", "[layout]\n")
        code = run(program, "run", "--plan", broken).returncode
        prevented = re.search(r"RestartPreventExitStatus=(.*)", UNIT.read_text()).group(1).split()
        check("a plan with errors ends it with a code that is not tried again",
              str(code) in prevented, f"{code} {prevented}")


def stopped(pid):
    with open(f"/proc/{pid}/stat", encoding="ascii") as stat:
        return stat.read().rpartition(") ")[2].startswith("T")


def drain(listener):
    try:
        while True:
            listener.recv(4096)
    except BlockingIOError:
        pass


def scripts():
    ours = [ROOT / "deploy" / name for name in ("build-packages", "make-certificates")]
    ours += [ROOT / "deploy/debian" / name for name in ("postinst", "postrm", "prerm")]
    done = run("shellcheck", *ours)
    check("shellcheck has nothing against the scripts", done.returncode == 0, done.stdout)
    done = run(ROOT / "deploy/inventory", "check")
    check("licences, origins and duplicates", done.returncode == 0, done.stdout + done.stderr)


def parts_list():
    """The SBOM against CycloneDX's own schema, and against cargo's tree."""
    bom = json.loads(must(ROOT / "deploy/inventory", "sbom"))
    from cyclonedx.schema import SchemaVersion
    from cyclonedx.validation.json import JsonStrictValidator

    fault = JsonStrictValidator(SchemaVersion.V1_5).validate_str(json.dumps(bom))
    check("the parts list is CycloneDX 1.5, by its own schema", fault is None, str(fault))
    listed = {f"{part['name']} v{part['version']}" for part in bom["components"]}
    tree = must("cargo", "tree", "--locked", "--workspace", "--edges", "normal,no-proc-macro",
                "--prefix", "none", "--target", "aarch64-unknown-linux-gnu", "--format", "{p}",
                cwd=ROOT)
    wanted = {" ".join(line.split()[:2]) for line in tree.splitlines() if line.strip()}
    wanted = {name for name in wanted if not name.startswith("taillamp v")}
    # cargo metadata knows the features of tests as well: it may name one more, never one less.
    check("it names what cargo tree names", wanted <= listed and len(listed - wanted) < 5,
          f"{listed ^ wanted}")


def manual(folder):
    """Man pages and completions, made from the commands, read by man and by the shells."""
    pages = sorted((folder / "man1").glob("*.1"))
    commands = re.findall(r"^  ([a-z-]+) ", must_help(), re.MULTILINE)
    wanted = {f"taillamp-{name}.1" for name in commands if name != "help"}
    wanted |= {"taillamp.1", "taillamp-demo.1"}
    check("every command has a man page", {page.name for page in pages} == wanted,
          str({page.name for page in pages} ^ wanted))
    faults = []
    for page in pages:
        done = run("man", "--warnings", "-E", "UTF-8", "-l", "-Tutf8", "-Z", page)
        if done.returncode != 0 or done.stderr.strip():
            faults.append(f"{page.name}: {done.stderr}")
    check("man takes them without a warning", not faults, "; ".join(faults))
    done = run("bash", "-n", folder / "bash/taillamp.bash")
    check("bash takes its completions", done.returncode == 0, done.stderr)
    said = must("bash", "-c", f"source {folder}/bash/taillamp.bash; COMP_WORDS=(taillamp li);"
                "COMP_CWORD=1; _taillamp taillamp li taillamp; echo ${COMPREPLY[@]}")
    check("and they complete", "line-up" in said and "listen" in said, said)


PROGRAM = None


def must_help():
    return must(PROGRAM, "--help")


def test(program, target):
    global PROGRAM
    PROGRAM = program
    unit()
    notified(program)
    scripts()
    parts_list()
    folder = target / "tests-run/manual"
    shutil.rmtree(folder, ignore_errors=True)
    example = target / "debug/examples/manual"
    must(example, folder)
    manual(folder)
