# A board with two current sensors and one pair of points, publishing to Taillamp. MicroPython, with
# umqtt.simple, on a board with a network (ESP32, Pico W). Put in your own network, broker and pins.
# Each sensor sits in the wire that feeds its block, on the low-voltage side, behind over-current
# protection. Written for this project; MIT licence.

import json
import math
import time

import network
from machine import ADC, Pin
from umqtt.simple import MQTTClient

WIFI = ("layout", "change me")
BROKER = "layout-pi.local"
# `taillamp init` has shown the board's password; the user is the id of its [[node]].
BOARD = "board-1"
PASSWORD = "change me"
PREFIX = "wharf"

SENSORS = {"d-east": 26, "d-west": 27}
POINTS = {"w1": (14, 15)}  # contacts that the blades work: normal, reverse; closed is 0

# Of the sensor: volts at no current, and milliamperes for each volt.
ZERO_V = 1.65
MA_PER_V = 1000 / 0.185
FULL_V = 3.3

EVERY_MS = 2000  # published at least so often: silence is not believed
CHANGE_MA = 0.5  # and at once when it changes by so much
SAMPLES = 200
RETRY_S = 3
KEEP_ALIVE_S = 5


def topic(kind, name):
    return "{}/{}/{}".format(PREFIX, kind, name).encode()


def pack(record):
    """A SenML pack of one record (RFC 8428)."""
    return json.dumps([record]).encode()


def milliamperes(volts):
    """The root of the mean square of readings, so that alternating current counts as well."""
    total = 0.0
    for volt in volts:
        ma = (volt - ZERO_V) * MA_PER_V
        total += ma * ma
    return math.sqrt(total / len(volts))


def position_word(normal_closed, reverse_closed):
    """Both or none: the blades are on their way, or a contact is broken. Taillamp tells which."""
    if normal_closed == reverse_closed:
        return "moving"
    return "normal" if normal_closed else "reverse"


class Reporter:
    """Says what has changed at once, and everything often enough to be believed."""

    def __init__(self, publish):
        self.publish = publish
        self.currents = {}
        self.positions = {}

    def current(self, name, ma, now):
        last, at = self.currents.get(name, (None, 0))
        due = last is None or time.ticks_diff(now, at) >= EVERY_MS
        if due or abs(ma - last) >= CHANGE_MA:
            record = {"n": "current", "u": "mA", "v": round(ma, 1)}
            self.publish(topic("detector", name), pack(record), False)
            self.currents[name] = (ma, now)

    def position(self, name, word):
        if self.positions.get(name) != word:
            self.publish(topic("position", name), pack({"n": "position", "vs": word}), True)
            self.positions[name] = word


def connect():
    wifi = network.WLAN(network.STA_IF)
    wifi.active(True)
    if not wifi.isconnected():
        wifi.connect(*WIFI)
        while not wifi.isconnected():
            time.sleep_ms(100)
    client = MQTTClient(
        BOARD, BROKER, user=BOARD, password=PASSWORD, keepalive=KEEP_ALIVE_S
    )
    # The will says that the board is gone when it cannot say so itself.
    client.set_last_will(topic("node", BOARD), b"offline", retain=True)
    client.connect()
    client.publish(topic("node", BOARD), b"online", retain=True)
    return client


def watch(client):
    sensors = {name: ADC(Pin(pin)) for name, pin in SENSORS.items()}
    contacts = {
        name: tuple(Pin(pin, Pin.IN, Pin.PULL_UP) for pin in pins) for name, pins in POINTS.items()
    }
    reporter = Reporter(lambda where, what, keep: client.publish(where, what, retain=keep))
    pinged = time.ticks_ms()
    while True:
        now = time.ticks_ms()
        for name, sensor in sensors.items():
            volts = [sensor.read_u16() * FULL_V / 65535 for _ in range(SAMPLES)]
            reporter.current(name, milliamperes(volts), now)
        for name, (normal, reverse) in contacts.items():
            reporter.position(name, position_word(not normal.value(), not reverse.value()))
        if time.ticks_diff(now, pinged) > KEEP_ALIVE_S * 500:
            client.ping()
            pinged = now
        client.check_msg()


def main():
    while True:
        try:
            watch(connect())
        except OSError as error:
            print("the broker is not there:", error)
            time.sleep(RETRY_S)


if __name__ == "__main__":
    main()
