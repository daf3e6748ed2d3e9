#!/bin/bash
# Runs inside a small Debian that has really booted, with the package installed: what systemd makes of
# the service. Prints `ok ...` and `FAIL ...` lines; the last line is `end`. Then the Debian is put off.

check() {
    if [ "$2" = yes ]; then echo "ok systemd: $1"; else echo "FAIL systemd: $1: $3"; fi
}
of() { systemctl show taillamp --property "$1" --value; }
yes_if() { if "$@" >/dev/null 2>&1; then echo yes; else echo no; fi; }
# Waits until a command holds, at most so many seconds.
within() {
    local end=$((SECONDS + $1))
    shift
    until "$@" >/dev/null 2>&1; do
        [ "$SECONDS" -lt "$end" ] || return 1
        sleep 0.2
    done
}
active() { [ "$(of ActiveState)/$(of SubState)" = active/running ]; }
other() { active && [ "$(of MainPID)" != "$1" ]; }
answers() {
    local said
    exec 3<>/dev/tcp/127.0.0.1/8080 || return 1
    printf 'GET /readyz HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n' >&3
    read -r said <&3
    exec 3>&-
    [[ "$said" == *" 200 "* ]]
}

within 30 active
check "started at boot, and ready by its own word" "$(yes_if active)" "$(systemctl status taillamp)"
check "it says of what" "$([[ "$(of StatusText)" == *Quillmere* ]] && echo yes)" "$(of StatusText)"
check "it answers" "$(yes_if within 10 answers)" "no 200 from /readyz"
pid="$(of MainPID)"
check "as its own user" "$([ "$(stat -c %U "/proc/$pid")" = taillamp ] && echo yes)" "$(stat -c %U "/proc/$pid")"
check "with no capability" "$(grep -q '^CapEff:.0*$' "/proc/$pid/status" && echo yes)" "$(grep Cap "/proc/$pid/status")"
check "with a filter of system calls" "$(grep -q '^Seccomp:.2$' "/proc/$pid/status" && echo yes)" "none"

loaded() { journalctl -u taillamp --no-pager | grep -q 'the plan was loaded'; }
check "nothing has read the plan again yet" "$(loaded || echo yes)" "something has"
systemctl reload taillamp
check "it reads the plan again" "$(yes_if within 20 loaded)" "$(journalctl -u taillamp --no-pager | tail -n 5)"
check "and goes on" "$([ "$(of MainPID)" = "$pid" ] && echo yes)" "$(of MainPID)"

kill -KILL "$pid"
check "killed, it comes again" "$(yes_if within 30 other "$pid")" "$(of SubState)"

# The shipped limit is 20 s; a shorter one so that this does not take as long.
mkdir -p /run/systemd/system/taillamp.service.d
printf '[Service]\nWatchdogSec=2\n' >/run/systemd/system/taillamp.service.d/short.conf
systemctl daemon-reload
systemctl restart taillamp
within 30 active
pid="$(of MainPID)"
sleep 6
check "it lives by the watchdog's measure" "$([ "$(of MainPID)" = "$pid" ] && echo yes)" "it was started again"
kill -STOP "$pid"
check "standing still, it is ended and comes again" "$(yes_if within 40 other "$pid")" "$(of SubState)"

pid="$(of MainPID)"
dpkg --force-confdef --force-confold --install /newer.deb >/dev/null 2>&1
check "an upgrade starts it again" "$(yes_if within 30 other "$pid")" "$(of SubState)"

printf 'nonsense\n' >>/etc/taillamp/plan.toml
before="$(of NRestarts)"
systemctl restart taillamp 2>/dev/null
failed() { [ "$(of ActiveState)" = failed ]; }
within 30 failed
sleep 5
check "a plan with errors ends it, and it is not tried again" \
    "$(failed && [ "$(of NRestarts)" = 0 ] && [ "$(of ExecMainStatus)" = 1 ] && echo yes)" \
    "$(of ActiveState) $(of NRestarts) (before: $before) exit $(of ExecMainStatus)"
check "the log names the line" "$(journalctl -u taillamp | grep -q 'plan.toml:[0-9]' && echo yes)" "it does not"

dpkg --purge taillamp >/dev/null 2>&1
check "purged, it is gone" "$([ "$(of LoadState)" != loaded ] && [ ! -e /etc/taillamp ] && echo yes)" "$(of LoadState)"
echo end
