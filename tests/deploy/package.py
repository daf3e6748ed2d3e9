#!/usr/bin/env python3
"""The Debian packages, really installed, upgraded, removed and purged, in a Debian of their own.

    package.py FOLDER           FOLDER has what deploy/build-packages has made

Needs root, debootstrap, lintian, systemd-container, mosquitto-clients, binutils, and for arm64
qemu-user-static. Nothing is installed on this
machine: each run has a small Debian in a folder of its own, which goes away. It takes a minute or two.
"""

import os
import pathlib
import re
import shutil
import signal
import subprocess
import sys

import stand
from stand import ROOT, Stand, check, fetch, free_port, must, run, until

# Bytes of the compressed package.
SIZE_MAX = 8 * 1024 * 1024
SUITE = "bookworm"
# What lintian says and why it is no fault here: static parts are what a Rust program is made of; there
# is no Debian maintainer; examples and scripts are for people to copy.
LINTIAN_MAX = "error"

GOLDENS = ["left-diverging:four-blocks", "dead-siding:four-blocks", "not-to-be-believed:four-blocks",
           "crossover:double-crossover"]


def field(package, name):
    return must("dpkg-deb", "--field", package, name).strip()


def judged(package):
    """What can be told from the file alone."""
    arch = field(package, "Architecture")
    size = package.stat().st_size
    check(f"{arch}: {size / 2**20:.2f} MiB, under 8", size < SIZE_MAX)
    listed = must("dpkg-deb", "--contents", package)
    names = {line.split()[5].removeprefix("./") for line in listed.splitlines()}
    wanted = {
        "usr/bin/taillamp", "usr/bin/taillamp-demo", "usr/share/man/man1/taillamp.1.gz",
        "usr/share/man/man1/taillamp-run.1.gz", "usr/share/man/man1/taillamp-demo.1.gz",
        "etc/default/taillamp", "usr/share/taillamp/plan.toml",
        "usr/lib/sysusers.d/taillamp.conf", "usr/lib/tmpfiles.d/taillamp.conf",
        "usr/share/bash-completion/completions/taillamp", "usr/share/zsh/vendor-completions/_taillamp",
        "usr/share/fish/vendor_completions.d/taillamp.fish", "usr/share/doc/taillamp/copyright",
        "usr/share/doc/taillamp/taillamp.cdx.json",
    }
    check(f"{arch}: everything is in it", wanted <= names, str(wanted - names))
    check(f"{arch}: and the unit", any(name.endswith("system/taillamp.service") for name in names))
    owners = {line.split()[1] for line in listed.splitlines()}
    check(f"{arch}: everything belongs to root", owners <= {"root/root", "0/0"}, str(owners))
    conffiles = must("dpkg-deb", "--info", package, "conffiles").split()
    check(f"{arch}: the options are a conffile, the plan is not", conffiles == ["/etc/default/taillamp"],
          str(conffiles))


def linted(package):
    arch = field(package, "Architecture")
    said = run("lintian", "--fail-on", LINTIAN_MAX, "--tag-display-limit", "0", package, timeout=600)
    check(f"{arch}: lintian finds no {LINTIAN_MAX}", said.returncode == 0, said.stdout + said.stderr)
    notes = [line for line in said.stdout.splitlines() if line[:2] in ("W:", "I:", "E:")]
    print("\n".join(f"note: lintian: {line}" for line in notes))


def needs(folder, package):
    """The C library that the programs ask for is the one that the package depends on, or older."""
    arch = field(package, "Architecture")
    needed = must("readelf", "--version-info", "--wide", folder / "usr/bin/taillamp")
    versions = [tuple(map(int, v.split("."))) for v in re.findall(r"GLIBC_(2\.\d+)", needed)]
    said = re.search(r"libc6 \(>= (2\.\d+)\)", field(package, "Depends")).group(1)
    check(f"{arch}: the C library that it needs is {max(versions)}, and it says so",
          max(versions) <= tuple(map(int, said.split("."))), f"it says {said}")
    libraries = set(re.findall(r"NEEDED.*\[(\S+)\]", must("readelf", "-d", "--wide",
                                                          folder / "usr/bin/taillamp")))
    known = {"libc.so.6", "libgcc_s.so.1", "libm.so.6", "ld-linux-aarch64.so.1", "ld-linux-x86-64.so.2"}
    check(f"{arch}: it needs no other library", libraries <= known, str(libraries - known))


def replays(arch, emulator, folder):
    program = [*emulator, folder / "usr/bin/taillamp"]
    for golden in GOLDENS:
        recording, plan = golden.split(":")
        file = ROOT / "tests/replay/recordings" / recording
        done = subprocess.run(
            [*map(str, program), "replay", "--plan", f"tests/plans/{plan}.good.toml", f"{file}.jsonl"],
            cwd=ROOT, stdin=subprocess.DEVNULL, capture_output=True, check=False,
        )
        same = done.stdout == pathlib.Path(f"{file}.out.jsonl").read_bytes()
        check(f"{arch}: the replay of {recording} gives the same bytes", same and done.stdout != b"",
              done.stderr.decode()[:300])


def answers(arch, emulator, folder):
    """The daemon of the package: it comes up, hears a board over MQTT, shows it, and ends."""
    with Stand(folder / "usr/bin/taillamp") as here:
        port = free_port()
        text = stand.plan(mqtt=f'[mqtt]\nlisten = "127.0.0.1:{port}"')
        program = [*emulator, here.program]
        child = here.start(*program, "run", "--plan", here.write("plan.toml", text), log="daemon")
        page = until("the daemon tells where its page is",
                     lambda: re.search(r"The page: (http://\S+?)/?\s", here.said("daemon"))).group(1)
        until("it is ready", lambda: fetch(page + "/readyz")[0] == 200)
        must("mosquitto_pub", "-p", port, "-q", "1", "-t", "wharf/detector/d-east", "-m",
             '[{"n":"current","u":"mA","v":40}]')
        until("it has heard the board",
              lambda: stand.state(page)["blocks"]["east"]["state"] == "occupied")
        child.send_signal(signal.SIGTERM)
        check(f"{arch}: the daemon answers, hears a board, and ends well", child.wait(30) == 0)


def newer(package, folder):
    """The same package with a higher version, another default plan and other options."""
    tree = folder / "newer"
    must("dpkg-deb", "--raw-extract", package, tree)
    control = tree / "DEBIAN/control"
    control.write_text(re.sub(r"(?m)^Version: .*$", "Version: 99.0", control.read_text()))
    for file in ("usr/share/taillamp/plan.toml", "etc/default/taillamp"):
        with (tree / file).open("a") as end:
            end.write("# newer\n")
    sums = tree / "DEBIAN/md5sums"
    if sums.exists():
        sums.unlink()
    out = folder / "newer.deb"
    must("dpkg-deb", "--root-owner-group", "--build", tree, out)
    return out


class Debian:
    """A small Debian in a folder."""

    def __init__(self, folder):
        self.root = folder / "debian"
        must("debootstrap", "--variant=minbase", "--include=systemd", SUITE, self.root, timeout=600)
        (self.root / "usr/sbin/policy-rc.d").write_text("#!/bin/sh\nexit 101\n")
        (self.root / "usr/sbin/policy-rc.d").chmod(0o755)

    def run(self, *command):
        env = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C", "DEBIAN_FRONTEND": "noninteractive"}
        # A mount of its own, gone with the command: systemd-tmpfiles wants to see /proc.
        inside = 'mount -t proc proc "$0/proc" && exec chroot "$0" "$@"'
        return run("unshare", "--mount", "sh", "-c", inside, self.root, *command, env=env)

    def must(self, *command):
        done = self.run(*command)
        if done.returncode != 0:
            raise AssertionError(f"{command}: {done.stdout}{done.stderr}")
        return done.stdout

    def install(self, package):
        shutil.copy(package, self.root / "package.deb")
        return self.must("dpkg", "--force-confdef", "--force-confold", "--install", "/package.deb")

    def owner(self, path):
        return self.must("stat", "-c", "%U:%G %a", path).strip()


def lived(package, folder):
    """First installation, a life, an upgrade, a removal, a purge."""
    debian = Debian(folder)
    root = debian.root
    debian.install(package)
    plan, journal = root / "etc/taillamp/plan.toml", root / "var/lib/taillamp/taillamp.db"
    check("installed: the plan is laid down", plan.exists() and "Quillmere" in plan.read_text())
    for path, wanted in [("/etc/taillamp", "taillamp:taillamp 750"),
                         ("/etc/taillamp/plan.toml", "taillamp:taillamp 640"),
                         ("/var/lib/taillamp", "taillamp:taillamp 750")]:
        owner = debian.owner(path)
        check(f"installed: {path} is {wanted}", owner == wanted, owner)
    enabled = root / "etc/systemd/system/multi-user.target.wants/taillamp.service"
    check("installed: the service starts at boot", os.path.lexists(enabled))
    told = debian.run("systemd-analyze", "--man=no", "verify", "taillamp.service")
    check("installed: systemd takes the unit", "taillamp" not in told.stderr, told.stderr)
    as_service = ["setpriv", "--reuid=taillamp", "--regid=taillamp", "--clear-groups", "taillamp"]
    debian.must(*as_service, "check", "--plan", "/etc/taillamp/plan.toml")
    check("installed: the service's user can read the plan, and it passes check", True)
    made = debian.run(*as_service, "init", "--dir", "/etc/taillamp", "--force", "--pin", "2468")
    check("installed: init makes a plan in its place as that user", made.returncode == 0, made.stderr)
    check("installed: whose journal is where the service may write",
          'path = "/var/lib/taillamp/taillamp.db"' in plan.read_text())
    runs(debian, plan)
    journal.write_text("what was remembered")
    plan.write_text(plan.read_text() + "# mine\n")
    mine = plan.read_bytes()
    options = root / "etc/default/taillamp"
    options.write_text("RUST_LOG=debug\n")

    debian.install(newer(package, folder))
    version = debian.must("dpkg-query", "-W", "-f", "${Version}", "taillamp")
    check("upgraded", version == "99.0", version)
    check("upgraded: the plan is mine", plan.read_bytes() == mine)
    check("upgraded: the journal is there", journal.read_text() == "what was remembered")
    check("upgraded: the options are mine", options.read_text() == "RUST_LOG=debug\n")
    check("upgraded: still at boot", os.path.lexists(enabled))
    plan.rename(plan.with_suffix(".away"))
    debian.install(newer_again(package, folder))
    check("upgraded: a plan that was taken away does not come back", not plan.exists())
    plan.with_suffix(".away").rename(plan)

    debian.must("dpkg", "--remove", "taillamp")
    check("removed: plan and journal stay, programs go",
          plan.exists() and journal.exists() and not (root / "usr/bin/taillamp").exists())
    debian.must("dpkg", "--purge", "taillamp")
    left = [str(path) for path in (root / "etc/taillamp", root / "var/lib/taillamp", options, enabled)
            if os.path.lexists(path)]
    check("purged: nothing is left", not left, str(left))
    listed = debian.run("dpkg-query", "-W", "taillamp").returncode
    check("purged: dpkg knows nothing of it", listed != 0)
    booted(package, folder, debian)


def booted(package, folder, debian):
    """The package under a real systemd: the Debian of `lived` is installed into again, and booted."""
    root = debian.root
    (root / "usr/sbin/policy-rc.d").unlink()
    shutil.copy(package, root / "package.deb")
    debian.must("dpkg", "--install", "/package.deb")
    shutil.copy(folder / "newer.deb", root / "newer.deb")
    shutil.copy(ROOT / "tests/deploy/boot.sh", root / "boot.sh")
    (root / "etc/systemd/system/boot-test.service").write_text(
        "[Unit]\nAfter=taillamp.service\n[Service]\nType=oneshot\nTimeoutStartSec=300\n"
        "StandardOutput=append:/boot-test.log\nStandardError=journal\nExecStart=/boot.sh\n"
        "ExecStopPost=/usr/bin/systemctl --no-block poweroff\n"
    )
    wants = root / "etc/systemd/system/multi-user.target.wants"
    (wants / "boot-test.service").symlink_to("../boot-test.service")
    done = run("systemd-nspawn", "--register=no", "--keep-unit", "--private-network", "--quiet", "-D",
               root, "--boot", timeout=400)
    log = root / "boot-test.log"
    said = log.read_text() if log.exists() else ""
    print(said.removesuffix("end\n"), end="")
    stand.failures += sum(line.startswith("FAIL") for line in said.splitlines())
    check("systemd: all of it was tried", said.endswith("end\n"), done.stdout[-800:] + done.stderr[-300:])


def newer_again(package, folder):
    shutil.rmtree(folder / "newer")
    return newer(package, folder)


def runs(debian, plan):
    """The installed daemon, as the service's user, in its Debian, with the unit's own command."""
    web, mqtt = free_port(), free_port()
    text = plan.read_text().replace("0.0.0.0:8080", f"127.0.0.1:{web}")
    text = text.replace("0.0.0.0:1883", f"127.0.0.1:{mqtt}")
    (debian.root / "etc/taillamp/try.toml").write_text(text)
    unit = next(debian.root.glob("*/lib/systemd/system/taillamp.service"), None) or next(
        debian.root.glob("lib/systemd/system/taillamp.service"))
    command = re.search(r"(?m)^ExecStart=(.*)$", unit.read_text()).group(1)
    command = command.replace("${TAILLAMP_PLAN}", "/etc/taillamp/try.toml").split()
    child = subprocess.Popen(
        ["chroot", "--userspec=taillamp:taillamp", str(debian.root), *command],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )
    try:
        until("the installed daemon is ready",
              lambda: fetch(f"http://127.0.0.1:{web}/readyz")[0] == 200)
        check("installed: the unit's command runs, as the service's user", True)
    finally:
        child.terminate()
        child.wait(30)


def main(words):
    folder = pathlib.Path(words[0]).resolve()
    here = must("dpkg", "--print-architecture").strip()
    packages = sorted(folder.glob("taillamp_*.deb"))
    check("there are packages", bool(packages), str(folder))
    for package in packages:
        arch = field(package, "Architecture")
        emulator = [] if arch == here else [{"arm64": "qemu-aarch64-static", "amd64": "qemu-x86_64-static"}[arch]]
        with Stand("/bin/true") as made:
            judged(package)
            tree = made.folder / "tree"
            must("dpkg-deb", "--extract", package, tree)
            needs(tree, package)
            replays(arch, emulator, tree)
            answers(arch, emulator, tree)
            if arch == here:
                lived(package, made.folder)
        linted(package)
    return 1 if stand.failures else 0


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    sys.exit(main(sys.argv[1:]))
