"""The same job as a hobbyist would write it, in a scripting language with general-purpose libraries:
a state machine for each block and each turnout, a warning of a point left diverging behind a cleared
train, a page with the state, and metrics. It knows no trains, no power and no past.

    scripting.py PLAN

Takes the plan file of the daemon; prints the page's address when it is subscribed.
"""

import json
import sys
import threading
import time
import tomllib

import flask
import paho.mqtt.client as mqtt
import prometheus_client
import werkzeug.serving
from transitions import Machine

RELEASE_S = 1.5
CLEAR_S = 5.0
PAGE = """<!doctype html><title>{{ name }}</title><meta http-equiv="refresh" content="2">
<h1>{{ name }}</h1>
{% for turnout in left %}<p>{{ turnout }} is left diverging</p>{% endfor %}
<table>{% for thing in things %}<tr><td>{{ thing.name }}<td>{{ thing.state }}{% endfor %}</table>
"""


class Thing:
    """A block or a turnout: a machine whose every change is published."""

    def __init__(self, kind, name, states, transitions):
        self.kind, self.name = kind, name
        Machine(
            self, states=states, transitions=transitions, initial="unknown",
            after_state_change="publish", model_attribute="state",
        )

    def publish(self):
        changes.inc()
        topic = f"ring/state/{self.kind}/{self.name}"
        client.publish(topic, json.dumps({"state": self.state}), retain=True)


class Block(Thing):
    def __init__(self, name):
        self.off_since = None
        self.turnouts = []
        super().__init__(
            "block", name, ["unknown", "vacant", "occupied"],
            [
                {"trigger": "enter", "source": ["vacant", "unknown"], "dest": "occupied"},
                {"trigger": "release", "source": ["occupied", "unknown"], "dest": "vacant"},
            ],
        )

    def sample(self, milliamperes, now):
        if milliamperes >= 3.0:
            self.off_since = None
            if self.state != "occupied":
                self.enter()
                for turnout in self.turnouts:
                    turnout.vacant_since = None
                    turnout.cover()
        elif milliamperes <= 1.5 and self.state != "vacant":
            if self.off_since is None:
                self.off_since = now
            elif now - self.off_since >= RELEASE_S:
                self.release()
                for turnout in self.turnouts:
                    turnout.vacant_since = now


class Turnout(Thing):
    def __init__(self, name):
        self.position = None
        self.vacant_since = None
        super().__init__(
            "turnout", name, ["unknown", "occupied", "cleared", "left-diverging"],
            [
                {"trigger": "cover", "source": "*", "dest": "occupied"},
                {"trigger": "clear", "source": "*", "dest": "cleared"},
                {"trigger": "leave", "source": "cleared", "dest": "left-diverging"},
            ],
        )

    def warn(self, payload):
        client.publish(f"ring/alarm/left-diverging:{self.name}", payload, retain=True)

    def tick(self, now):
        since = self.vacant_since
        if self.state == "occupied" and since is not None and now - since >= CLEAR_S:
            self.clear()
        if self.state == "cleared" and self.position == "reverse":
            self.leave()
            self.warn(json.dumps({"message": f"{self.name} is left diverging"}))
        elif self.state == "left-diverging" and self.position == "normal":
            self.clear()
            self.warn("")


def on_message(_client, _data, message):
    now = time.monotonic()
    kind, _, name = message.topic.removeprefix("ring/").partition("/")
    record = json.loads(message.payload)[0]
    with lock:
        samples.inc()
        if kind == "detector" and name in by_detector:
            by_detector[name].sample(record["v"] * 1000, now)
        elif kind == "position" and name in turnouts:
            turnouts[name].position = record["vs"]


def tick():
    while True:
        time.sleep(0.5)
        with lock:
            for turnout in turnouts.values():
                turnout.tick(time.monotonic())


app = flask.Flask(__name__)


@app.get("/")
def page():
    with lock:
        things = [*blocks.values(), *turnouts.values()]
        left = [turnout.name for turnout in turnouts.values() if turnout.state == "left-diverging"]
        return flask.render_template_string(PAGE, name="Ring", things=things, left=left)


@app.get("/api/v1/state")
def state():
    with lock:
        return {
            "blocks": {name: {"state": block.state} for name, block in blocks.items()},
            "turnouts": {
                name: {"state": turnout.state, "position": turnout.position}
                for name, turnout in turnouts.items()
            },
        }


@app.get("/metrics")
def metrics():
    return flask.Response(prometheus_client.generate_latest(), content_type="text/plain")


with open(sys.argv[1], "rb") as file:
    plan = tomllib.load(file)
lock = threading.Lock()
samples = prometheus_client.Counter("samples", "Samples taken")
changes = prometheus_client.Counter("changes", "Changes of blocks and turnouts")
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
blocks = {row["id"]: Block(row["id"]) for row in plan["block"]}
turnouts = {row["id"]: Turnout(row["id"]) for row in plan["turnout"]}
by_detector = {row["id"]: blocks[row["block"]] for row in plan["detector"]}
for row in plan["turnout"]:
    blocks[row["covered_by"]].turnouts.append(turnouts[row["id"]])

server = werkzeug.serving.make_server("127.0.0.1", 0, app, threaded=True)
threading.Thread(target=server.serve_forever, daemon=True).start()
threading.Thread(target=tick, daemon=True).start()
client.on_message = on_message
address = f"The page: http://127.0.0.1:{server.server_port}/"
client.on_subscribe = lambda *_: print(address, flush=True)
url, _, port = plan["mqtt"]["url"].removeprefix("mqtt://").partition(":")
client.connect(url, int(port))
client.subscribe([("ring/detector/+", 0), ("ring/position/+", 0)])
client.loop_forever()
