"""Three daemons that share a layout, on one Mosquitto with users and rights; each has a link of its
own, which is torn and mended. What is decided in which case is in tests/peers, in virtual time."""

import json
import shutil
import socket
import threading
import urllib.parse

from stand import ROOT, Stand, check, fetch, free_port, must, state, until

NAMES = ["west", "mid", "east"]
SECRET = "tea at four"


class Relay:
    """The link of one computer: TCP, passed on, held back without a word, or cut."""

    def __init__(self, to):
        self.to = to
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.flows = threading.Event()
        self.flows.set()
        self.cut = False
        self.open = []
        threading.Thread(target=self.accept, daemon=True).start()

    def accept(self):
        while True:
            try:
                near, _ = self.listener.accept()
            except OSError:
                return
            if self.cut:
                near.close()
                continue
            far = socket.create_connection(("127.0.0.1", self.to))
            self.open += [near, far]
            for one, other in [(near, far), (far, near)]:
                threading.Thread(target=self.carry, args=(one, other), daemon=True).start()

    def carry(self, one, other):
        try:
            while data := one.recv(65_536):
                self.flows.wait()
                other.sendall(data)
        except OSError:
            pass
        for side in (one, other):
            # Already shut where the other direction ended first.
            try:
                side.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass

    def tear(self):
        self.cut = True
        for side in self.open:
            try:
                side.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass
        self.open.clear()

    def mend(self):
        self.cut = False


def plan(name, port, alerts):
    letter = name[0]
    text = f"""
[layout]
name = "Three Fields, {name}"
scale = "HO"
topic_prefix = "club/{name}"
[mqtt]
url = "mqtt://127.0.0.1:{port}"
user = "{name}"
password_file = "broker-password"
[web]
listen = "127.0.0.1:0"
[journal]
path = "{name}.db"
[defaults]
release_s = 0.3
boot_s = 1
max_silence_s = 0
[[notify]]
id = "am"
kind = "alertmanager"
url = "http://127.0.0.1:{alerts}/api/v2/alerts"
"""
    for n in (1, 2):
        text += f'[[block]]\nid = "{letter}{n}"\n[[detector]]\nid = "d-{letter}{n}"\n'
        text += f'kind = "current"\nblock = "{letter}{n}"\n'
    text += f'[[join]]\nends = ["{letter}1.b", "{letter}2.a"]\n'
    borders = {
        "west": [("w2.b", "mid", "m1.a")],
        "mid": [("m1.a", "west", "w2.b"), ("m2.b", "east", "e1.a")],
        "east": [("e1.a", "mid", "m2.b")],
    }
    for here, peer, there in borders[name]:
        text += f'[[peer]]\nid = "{peer}"\nprefix = "club/{peer}"\nsilent_s = 5\n'
        text += f'borders = [{{ here = "{here}", there = "{there}" }}]\n'
    return text


class Club:
    def __init__(self, stand, program):
        self.broker = free_port()
        self.relays = {name: Relay(self.broker) for name in NAMES}
        stand.write("broker-password", SECRET + "\n")
        self.alerts = alertmanager(stand)
        files = {n: stand.write(f"{n}.toml", plan(n, self.relays[n].port, self.alerts))
                 for n in NAMES}
        passwords = stand.write("passwords", "")
        for user in [*NAMES, "board"]:
            must("mosquitto_passwd", "-b", passwords, user, SECRET)
        # Each computer's list is made from its own plan; the broker takes them one after the other.
        lists = [must(program, "acl", "--plan", files[name]) for name in NAMES]
        stand.write("acl", "\n".join(lists))
        config = f"listener {self.broker} 127.0.0.1\npassword_file {passwords}\n"
        config += f"acl_file {stand.folder}/acl\nallow_anonymous false\nuser root\n"
        broker = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        stand.start(broker, "-c", stand.write("mosquitto.conf", config), log="mosquitto")
        until("mosquitto runs", lambda: "running" in stand.said("mosquitto"))
        self.pages = {n: stand.daemon(files[n], log=n)[1] for n in NAMES}
        for name in NAMES:
            until(f"{name} is ready", lambda n=name: fetch(self.pages[n] + "/readyz")[0] == 200)
        self.series = prometheus(stand, self.pages)

    def publish(self, user, topic, payload, *more):
        must("mosquitto_pub", "-h", "127.0.0.1", "-p", self.broker, "-q", "1", "-u", user,
             "-P", SECRET, "-t", topic, "-m", payload, *more)

    def detect(self, block, on):
        name = self.of(block)
        said = '[{"n":"current","vb":%s}]' % ("true" if on else "false")
        self.publish("board", f"club/{name}/detector/d-{block}", said)

    @staticmethod
    def of(block):
        return next(name for name in NAMES if name[0] == block[0])

    def block(self, name, block):
        return state(self.pages[name])["blocks"][block]

    def trains(self, name):
        return state(self.pages[name])["trains"]

    def comes(self, block, wanted, name=None):
        name = name or self.of(block)
        until(f"{block} is {wanted} at {name}",
              lambda: self.block(name, block)["state"] == wanted)

    def step(self, before, after):
        """A train of a block's length goes on into the next block."""
        self.detect(after, True)
        self.comes(after, "occupied")
        self.detect(before, False)
        self.comes(before, "vacant")


def alertmanager(stand):
    port = free_port()
    config = stand.write("am.yml", "route:\n  receiver: nobody\nreceivers:\n  - name: nobody\n")
    stand.start("prometheus-alertmanager", f"--config.file={config}",
                f"--storage.path={stand.folder}/am", f"--web.listen-address=127.0.0.1:{port}",
                "--cluster.listen-address=", log="alertmanager")
    until("the alert manager is ready",
          lambda: fetch(f"http://127.0.0.1:{port}/-/ready")[0] == 200)
    return port


def prometheus(stand, pages):
    """As shipped, with all daemons as targets, as the README says."""
    config = (ROOT / "dashboards/prometheus.yml").read_text()
    targets = json.dumps([page.removeprefix("http://") for page in pages.values()])
    for old, new in [('["taillamp:8080"]', targets), (": 5s", ": 1s"),
                     ("  - alerts.yml\n", ""), ('"alertmanager:9093"', "")]:
        if old not in config:
            raise AssertionError(f"{old} is not in the scrape configuration")
        config = config.replace(old, new)
    shutil.copy(ROOT / "dashboards/recording.yml", stand.folder)
    port = free_port()
    stand.start("prometheus", f"--config.file={stand.write('prometheus.yml', config)}",
                f"--storage.tsdb.path={stand.folder}/data",
                f"--web.listen-address=127.0.0.1:{port}", log="prometheus")
    return port


def test(program):
    with Stand(program) as stand:
        club = Club(stand, program)
        for block in ("w1", "w2", "m1", "m2", "e1", "e2"):
            club.detect(block, False)
        for block in ("w1", "w2", "m1", "m2", "e1", "e2"):
            club.comes(block, "vacant")
        club.comes("mid-m1", "vacant", "west")
        club.comes("east-e1", "vacant", "mid")
        check("each computer knows the others' side of its borders", True)

        crosses(club)
        held_back(club)
        torn(club)
        runs_over(club)
        couples(club)
        slander(club)


def crosses(club):
    club.detect("w1", True)
    club.comes("w1", "occupied")
    club.step("w1", "w2")
    identity = next(iter(club.trains("west").values()))["identity"]
    club.step("w2", "m1")
    club.step("m1", "m2")
    until("the west has let it go", lambda: not club.trains("west"))
    at_mid = [train["identity"] for train in club.trains("mid").values()]
    check("a train that crosses a border is the same train", at_mid == [identity], str(at_mid))


def held_back(club):
    """The train's head goes on from the middle to the east; its tail is still there."""
    club.detect("e1", True)
    club.comes("east-e1", "occupied", "mid")
    until("the east holds the train whose tail is beyond",
          lambda: any("e1" in train["blocks"] for train in club.trains("east").values()))
    club.relays["mid"].flows.clear()
    club.comes("mid-m2", "unknown", "east")
    club.comes("mid-m1", "unknown", "west")
    check("a peer whose link is held back is unknown on both sides",
          club.block("east", "mid-m2")["kept"] == "occupied"
          and club.block("west", "mid-m1")["kept"] == "vacant")
    club.detect("e2", True)
    club.comes("e2", "occupied")
    club.detect("e1", False)
    until("its detector says so",
          lambda: state(club.pages["east"])["detectors"]["d-e1"]["evidence"] == "off")
    # The middle hears of m2's end only when its link is mended; by then e1 has been off for long.
    club.detect("m2", False)
    club.comes("east-e1", "unknown", "mid")
    check("nothing is vacant by silence: the tail may still be on the border",
          club.block("east", "e1")["state"] == "occupied"
          and club.block("mid", "m2")["state"] != "vacant")
    club.relays["mid"].flows.set()
    # What it missed its detectors say again: the broker may have given it up meanwhile.
    club.detect("m1", False)
    club.detect("m2", False)
    club.comes("m2", "vacant")
    club.comes("e1", "vacant")
    club.comes("mid-m2", "vacant", "east")
    club.comes("mid-m1", "vacant", "west")
    check("mended, both sides agree, and the tail has left", True)
    until("the middle has let it go", lambda: not club.trains("mid"))
    trains = {name: club.trains(name) for name in NAMES}
    identities = [t["identity"] for t in trains["east"].values()]
    check("the train is in the east and nowhere else",
          len(identities) == 1 and identities[0].startswith("club/west/t1@")
          and not trains["west"] and not trains["mid"], str(trains))


def torn(club):
    club.relays["mid"].tear()
    club.comes("mid-m1", "unknown", "west")
    club.comes("mid-m2", "unknown", "east")
    club.comes("m1", "unknown")
    club.comes("m2", "unknown")
    check("cut off, its side is unknown to the others, and to itself", True)
    in_one_place(club)
    club.relays["mid"].mend()
    until("it is back", lambda: fetch(club.pages["mid"] + "/readyz")[0] == 200)
    check("and not known again by the mere connection",
          club.block("mid", "m1")["state"] == "unknown"
          and club.block("west", "mid-m1")["state"] == "unknown")
    for block in ("m1", "m2"):
        club.detect(block, False)
    club.comes("mid-m1", "vacant", "west")
    club.comes("mid-m2", "vacant", "east")
    check("it is when its detectors have spoken", True)


def in_one_place(club):
    """Two computers are cut off and say so: one Alertmanager has both; and one Prometheus has all."""
    def held():
        status, text = fetch(f"http://127.0.0.1:{club.alerts}/api/v2/alerts?active=true")
        alerts = json.loads(text) if status == 200 else []
        return {(a["labels"]["alertname"], a["labels"]["prefix"]) for a in alerts}

    club.relays["east"].tear()
    lost = {("broker-lost", f"club/{name}") for name in ("mid", "east")}
    until("both alarms are in the alert manager", lambda: lost <= held())
    club.relays["east"].mend()
    for block, on in (("e1", False), ("e2", True)):
        until("the east is back", lambda: fetch(club.pages["east"] + "/readyz")[0] == 200)
        club.detect(block, on)
        club.comes(block, "occupied" if on else "vacant")
    until("and says so", lambda: not lost & held() - {("broker-lost", "club/mid")})
    check("one alert manager holds the alarms of all, told apart", True)

    def ask(expression):
        query = urllib.parse.urlencode({"query": expression})
        status, text = fetch(f"http://127.0.0.1:{club.series}/api/v1/query?{query}")
        return json.loads(text)["data"]["result"] if status == 200 else []

    board = json.loads((ROOT / "dashboards/grafana/taillamp.json").read_text())
    places = next(p for p in board["panels"] if p["title"] == "Places"
                  and p["type"] == "state-timeline")["targets"][0]["expr"]
    of = {name: set(state(page)["blocks"]) for name, page in club.pages.items()}
    wanted = {(club.pages[name].removeprefix("http://"), block) for name in of for block in of[name]}
    drawn = lambda: {(row["metric"]["instance"], row["metric"]["block"])
                     for row in ask(places.replace("$instance", ".*"))}
    until("Prometheus has every place of every daemon", lambda: drawn() == wanted)
    check("one Prometheus holds the places of all, and the dashboard draws each", True)


def active(club):
    """The alarms that are up anywhere, but for what is not announced and for roads."""
    kinds = ("train-lost", "train-parted")
    return [alarm for name in NAMES for alarm in state(club.pages[name])["alarms"].values()
            if alarm["active"] and alarm["type"] in kinds]


def known(club, name, identity):
    """The blocks of a train as a computer knows them."""
    return [train["blocks"] for train in club.trains(name).values()
            if train["identity"] == identity]


def runs_over(club):
    """A train runs out of a computer's sight while that has no broker."""
    club.detect("w1", True)
    club.comes("w1", "occupied")
    identity = next(iter(club.trains("west").values()))["identity"]
    club.relays["west"].tear()
    club.comes("w1", "unknown")
    club.comes("west-w2", "unknown", "mid")
    club.detect("m1", True)
    club.comes("m1", "occupied")
    check("who comes out of what nobody heard of is not known", not known(club, "mid", identity))
    club.relays["west"].mend()
    until("the west is back", lambda: fetch(club.pages["west"] + "/readyz")[0] == 200)
    for block in ("w1", "w2"):
        club.detect(block, False)
    for block in ("w1", "w2"):
        club.comes(block, "vacant")
    until("the train is one on both sides", lambda: known(club, "mid", identity) == [["m1"]]
          and known(club, "west", identity) == [["mid-m1"]])
    check("a train that reached a border while the link was cut keeps who it is",
          not active(club), str(active(club)))


def couples(club):
    """Another comes up to it, over the border, and goes back."""
    (standing,) = [train["identity"] for train in club.trains("mid").values()
                   if train["blocks"] == ["m1"]]
    club.detect("w1", True)
    club.comes("w1", "occupied")
    club.step("w1", "w2")
    (coming,) = [train["identity"] for train in club.trains("west").values()
                 if train["blocks"] == ["w2"]]
    club.detect("w2", False)
    club.comes("w2", "vacant")
    until("both are there", lambda: known(club, "mid", coming) == [["m1"]]
          and known(club, "mid", standing) == [["m1"]])
    check("trains that couple up across a border are both there", not active(club),
          str(active(club)))
    club.detect("w2", True)
    club.comes("w2", "occupied")
    club.step("w2", "w1")
    until("it is back", lambda: known(club, "west", coming) == [["w1"]]
          and known(club, "mid", standing) == [["m1"]] and not known(club, "mid", coming))
    check("and the one that goes back is the one that came", not active(club), str(active(club)))


def slander(club):
    word = '{"run":"x","number":9,"blocks":{"m1":{"state":"vacant"}}}'
    club.publish("board", "club/mid/borders", word)
    club.publish("east", "club/mid/borders", word)
    # The broker has taken this one after them.
    club.detect("w2", True)
    club.comes("w2", "occupied")
    check("nobody speaks for another computer",
          club.block("west", "mid-m1")["state"] == "occupied")
