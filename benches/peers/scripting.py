"""The same job as a hobbyist would write it: occupancy by threshold and release time, with a
general-purpose state-machine library. Blocks only: no trains, no power, no alarms.

    scripting.py PORT BLOCKS
"""

import json
import sys
import threading
import time

import paho.mqtt.client as mqtt
from transitions import Machine

RELEASE_S = 1.5


class Block:
    def __init__(self, name):
        self.name = name
        self.off_since = None
        Machine(
            self,
            states=["unknown", "vacant", "occupied"],
            initial="unknown",
            transitions=[
                {"trigger": "on", "source": "*", "dest": "occupied"},
                {"trigger": "released", "source": ["occupied", "unknown"], "dest": "vacant"},
            ],
            after_state_change="publish",
            model_attribute="state",
        )

    def publish(self):
        client.publish(f"ring/state/block/{self.name}", json.dumps({"state": self.state}), retain=True)


def on_message(_client, _data, message):
    global counted
    counted += 1
    block = blocks.get(message.topic)
    if block is None:
        return
    milliamperes = json.loads(message.payload)[0]["v"] * 1000
    now = time.monotonic()
    if milliamperes >= 3.0:
        block.off_since = None
        if block.state != "occupied":
            block.on()
    elif milliamperes <= 1.5:
        if block.off_since is None:
            block.off_since = now
        elif block.state != "vacant" and now - block.off_since >= RELEASE_S:
            block.released()


counted = 0
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
blocks = {f"ring/detector/d{n}": Block(f"b{n}") for n in range(1, int(sys.argv[2]) + 1)}
client.on_message = on_message
client.on_subscribe = lambda *_: print("ready", flush=True)
client.connect("127.0.0.1", int(sys.argv[1]))
client.subscribe("ring/detector/+")
threading.Thread(target=lambda: (sys.stdin.read(), client.disconnect()), daemon=True).start()
client.loop_forever()
print(counted, flush=True)
