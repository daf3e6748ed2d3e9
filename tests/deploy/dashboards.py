"""Rules, dashboard and compose file: by promtool, by a real Prometheus that scrapes a real daemon.

Grafana itself is not run: its JSON is read, and every query in it is asked of that Prometheus.
"""

import json
import re
import shutil
import urllib.parse

import yaml

from stand import ROOT, Stand, check, fetch, free_port, must, plan, run, until

FOLDER = ROOT / "dashboards"


def rules():
    files = [FOLDER / "recording.yml", FOLDER / "alerts.yml"]
    done = run("promtool", "check", "rules", *files)
    check("promtool takes the rules", done.returncode == 0, done.stdout + done.stderr)
    done = run("promtool", "test", "rules", FOLDER / "alerts_test.yml")
    check("the rules' own tests", done.returncode == 0, done.stdout + done.stderr)
    done = run("promtool", "check", "config", FOLDER / "prometheus.yml")
    check("promtool takes the scrape configuration", done.returncode == 0, done.stdout + done.stderr)
    tested = (FOLDER / "alerts_test.yml").read_text()
    names = [rule["alert"] for rule in rules_of("alerts.yml")]
    untested = [name for name in names if f"alertname: {name}\n        exp_alerts" not in tested]
    check("every alert has a test in which it fires", not untested, str(untested))
    amtool = run("amtool", "check-config", FOLDER / "alertmanager.yml")
    check("amtool takes the Alertmanager's configuration", amtool.returncode == 0,
          amtool.stdout + amtool.stderr)
    compose = run("docker-compose", "-f", FOLDER / "compose.yml", "config", "--quiet")
    check("docker-compose takes the compose file", compose.returncode == 0, compose.stderr)
    missing = [
        volume for service in yaml.safe_load((FOLDER / "compose.yml").read_text())["services"].values()
        for volume in service.get("volumes", [])
        if volume.startswith(".") and not volume.startswith("./layout")
        and not (FOLDER / volume.split(":")[0]).exists()
    ]
    check("every file that the compose file names is there", not missing, str(missing))


def rules_of(name):
    groups = yaml.safe_load((FOLDER / name).read_text())["groups"]
    return [rule for group in groups for rule in group["rules"]]


def panels(board):
    for panel in board["panels"]:
        yield panel
        yield from panel.get("panels", [])


def lint(board):
    """What Grafana would stumble over, as far as its JSON tells."""
    faults = []
    ids = [panel["id"] for panel in panels(board)]
    if len(ids) != len(set(ids)):
        faults.append("an id twice")
    taken = {}
    for panel in panels(board):
        at = panel["gridPos"]
        if at["x"] + at["w"] > 24:
            faults.append(f"{panel['title']}: wider than the screen")
        for x in range(at["x"], at["x"] + at["w"]):
            for y in range(at["y"], at["y"] + at["h"]):
                if (x, y) in taken:
                    faults.append(f"{panel['title']}: lies on {taken[x, y]}")
                taken[x, y] = panel["title"]
        if panel["type"] == "row":
            continue
        if not panel["targets"] or panel["datasource"] != {"type": "prometheus", "uid": "${source}"}:
            faults.append(f"{panel['title']}: no query, or another source")
    variables = {variable["name"] for variable in board["templating"]["list"]}
    for used in set(re.findall(r"\$\{?(\w+)", json.dumps(board["panels"]))) - variables:
        faults.append(f"${used} is no variable")
    for key in ("title", "uid", "schemaVersion", "templating", "time"):
        if key not in board:
            faults.append(f"no {key}")
    return faults


def queries(board):
    """Every expression with Grafana's variables in the place that `All` gives them."""
    for panel in panels(board):
        for target in panel.get("targets", []):
            yield panel["title"], target["expr"].replace("$instance", ".*").replace("$detector", ".*")


def names_in(expression):
    return set(re.findall(r"\b(?:[a-z_]+:)?taillamp_[a-z0-9_]+(?::[a-z0-9_]+)?", expression))


def live(program, demo):
    board = json.loads((FOLDER / "grafana/taillamp.json").read_text())
    faults = lint(board)
    check("the dashboard's JSON holds together", not faults, "; ".join(faults))
    with Stand(program) as stand:
        web, port = free_port(), free_port()
        stand.start(demo, "--port", web, "--mqtt-port", free_port(), log="demo")
        until("the demo is ready", lambda: fetch(f"http://127.0.0.1:{web}/readyz")[0] == 200)
        config = (FOLDER / "prometheus.yml").read_text()
        for old, new in [("taillamp:8080", f"127.0.0.1:{web}"), (": 5s", ": 1s")]:
            if old not in config:
                raise AssertionError(f"{old} is not in the scrape configuration")
            config = config.replace(old, new)
        config = re.sub(r"alerting:\n(?:  .*\n)+", "", config)
        file = stand.write("prometheus.yml", config)
        for name in ("recording.yml", "alerts.yml"):
            shutil.copy(FOLDER / name, stand.folder)
        stand.start("prometheus", f"--config.file={file}", f"--storage.tsdb.path={stand.folder}/data",
                    f"--web.listen-address=127.0.0.1:{port}", log="prometheus")

        def ask(expression):
            query = urllib.parse.urlencode({"query": expression})
            status, text = fetch(f"http://127.0.0.1:{port}/api/v1/query?{query}")
            if status not in (200, 400, 422):
                return {"status": "error", "error": f"{status} {text}"}
            return json.loads(text)

        def rows(expression):
            answer = ask(expression)
            return answer["data"]["result"] if answer["status"] == "success" else []

        until("Prometheus has scraped it a few times",
              lambda: rows('count_over_time(up{job="taillamp"}[1m]) > 4'))
        exists = spoken_by(f"http://127.0.0.1:{web}") | every_kind(stand)
        recorded = {rule["record"] for rule in rules_of("recording.yml")}
        asked = [("dashboard, " + title, query) for title, query in queries(board)]
        asked += [(f"rule {rule.get('alert') or rule['record']}", rule["expr"])
                  for name in ("alerts.yml", "recording.yml") for rule in rules_of(name)]
        strangers = {
            name for _, query in asked for name in names_in(query)
            if name not in recorded | exists
            and re.sub(r"_(bucket|sum|count)$", "", name) not in exists
        }
        if strangers & documented():
            print(f"note: not counted yet here: {', '.join(sorted(strangers & documented()))}")
        strangers -= documented()
        check("every metric that a query names is in the daemon's /metrics", not strangers,
              ", ".join(sorted(strangers)))
        refused = [f"{what}: {answer['error']}" for what, query in asked
                   if (answer := ask(query))["status"] != "success"]
        check(f"a real Prometheus takes all {len(asked)} queries", not refused, "; ".join(refused))
        # Where something must be seen at once: series that are there from the start.
        empty = [title for title, query in queries(board)
                 if title in SEEN_AT_ONCE and not rows(query)]
        check("what must be there from the start is there", not empty, ", ".join(empty))
        words(board, rows)
        health = until("the rules were evaluated", lambda: evaluated(port))
        check("every rule is healthy in a running Prometheus", not health[1], str(health[1]))
        legends = legend_faults(board, rows)
        check("every label that a legend names is on its series", not legends, "; ".join(legends))


def documented():
    """Counters with labels are silent until they count. README's table is the program's own: the
    house tests compare them."""
    rows = re.findall(r"^\| `(taillamp_\w+_total)\{", (ROOT / "README.md").read_text(), re.MULTILINE)
    return set(rows)


def spoken_by(page):
    return set(re.findall(r"^# TYPE (\S+)", fetch(page + "/metrics")[1], re.MULTILINE))


def every_kind(stand):
    """The metrics of a daemon that has heard a detector of every kind."""
    port = free_port()
    kinds = """
[[detector]]
id = "d-lux"
kind = "optical"
turnout = "w1"
leg = "normal"
unit = "lx"
on = 40.0
off = 60.0
"""
    file = stand.write("kinds.toml", plan(mqtt=f'[mqtt]\nlisten = "127.0.0.1:{port}"') + kinds)
    _, page = stand.daemon(file, log="kinds")
    for detector, record in [
        ("d-east", '{"n":"current","u":"mA","v":1}'),
        ("d-beam", '{"n":"light","u":"%","v":80}'),
        ("d-lux", '{"n":"light","u":"lx","v":80}'),
    ]:
        must("mosquitto_pub", "-p", port, "-q", "1", "-t", f"wharf/detector/{detector}", "-m",
             f"[{record}]")
    wanted = {"taillamp_detector_current_amperes", "taillamp_detector_level_ratio",
              "taillamp_detector_illuminance_lux"}
    until("readings of every kind", lambda: wanted <= spoken_by(page))
    return spoken_by(page)


SEEN_AT_ONCE = {
    "Daemon", "Broker", "Alarms now", "Places now", "Trains", "Places", "Points", "Silence",
    "Current", "Version and plan",
}


def words(board, rows):
    """The states of the two time lines are those that the daemon speaks of, every one."""
    for title, metric in [("Places", "taillamp_block_state"), ("Points", "taillamp_turnout_state")]:
        panel = next(p for p in panels(board) if p["title"] == title and p["type"] == "state-timeline")
        drawn = set(re.findall(r'state="([^"]+)"', panel["targets"][0]["expr"]))
        spoken = {row["metric"]["state"] for row in rows(f"count by (state) ({metric})")}
        mapped = {value["text"] for mapping in panel["fieldConfig"]["defaults"]["mappings"]
                  for value in mapping["options"].values()} - {"?"}
        check(f"{title}: the states are those of the daemon", drawn == spoken == mapped,
              f"{drawn ^ spoken} {drawn ^ mapped}")


def evaluated(port):
    status, text = fetch(f"http://127.0.0.1:{port}/api/v1/rules")
    if status != 200:
        return None
    every = [rule for group in json.loads(text)["data"]["groups"] for rule in group["rules"]]
    if any(rule["health"] == "unknown" for rule in every):
        return None
    return True, [rule["name"] for rule in every if rule["health"] != "ok"]


def legend_faults(board, rows):
    faults = []
    for panel in panels(board):
        for target in panel.get("targets", []):
            labels = re.findall(r"{{(\w+)}}", target.get("legendFormat", ""))
            query = target["expr"].replace("$instance", ".*").replace("$detector", ".*")
            for row in rows(query)[:1]:
                faults += [f"{panel['title']}: {label}" for label in labels
                           if label not in row["metric"]]
    return faults
