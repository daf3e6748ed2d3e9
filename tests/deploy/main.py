#!/usr/bin/env python3
"""What lies in deploy and dashboards, tried with the programs that it is for.

    main.py TARGET [PART...]    TARGET is cargo's target folder; PARTs: see PARTS

Prints one line a check, `ok ...` or `FAIL ...`. It needs what tests/run installs.
"""

import concurrent.futures
import pathlib
import sys
import traceback

import boards
import caddy
import dashboards
import hostile
import mosquitto
import peers
import service
import stand

AT_ONCE = 4


def main(words):
    target = pathlib.Path(words[0]).resolve()
    program, demo = target / "debug/taillamp", target / "debug/demo"
    parts = {
        "hostile": lambda: hostile.test(program),
        "service": lambda: service.test(program, target),
        "certificates": mosquitto.certificates,
        "mosquitto": lambda: mosquitto.test(program),
        "peers": lambda: peers.test(program),
        "guesses": lambda: hostile.guesses(program),
        "words": lambda: hostile.words(program),
        "tls": lambda: caddy.own_certificate(program),
        "caddy": lambda: caddy.test(program),
        "rules": dashboards.rules,
        "dashboards": lambda: dashboards.live(program, demo),
        "cpp": lambda: boards.cpp(program),
        "micropython": lambda: boards.micropython(program),
    }
    def one(name):
        try:
            parts[name]()
        except Exception as error:  # noqa: BLE001 - one part's end is not the others'
            traceback.print_exc()
            stand.check(name, False, str(error))

    # Most of the time is waiting: for a certificate, a scrape, a limit.
    with concurrent.futures.ThreadPoolExecutor(AT_ONCE) as pool:
        list(pool.map(one, words[1:] or parts))
    return 1 if stand.failures else 0


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    sys.exit(main(sys.argv[1:]))
