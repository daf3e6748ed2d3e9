"""The embedded broker as paho-mqtt for Python sees it: python3 paho_cases.py PORT.

Prints 'ok NAME' for each case that passed; the first that fails ends it with an error. It runs with
paho-mqtt 1.6 and 2.x. The rules are those of MQTT 3.1.1.
"""

import queue
import sys
import threading

import paho.mqtt.client as mqtt

PORT = int(sys.argv[1])
SOON = 30


class Peer:
    """One client; what happens to it goes into queues."""

    def __init__(self, name, clean=True, will=None, keepalive=60):
        arguments = {"client_id": name, "clean_session": clean, "protocol": mqtt.MQTTv311}
        if hasattr(mqtt, "CallbackAPIVersion"):
            arguments["callback_api_version"] = mqtt.CallbackAPIVersion.VERSION1
        self.client = mqtt.Client(**arguments)
        self.client.max_inflight_messages_set(100)
        self.client.max_queued_messages_set(0)
        self.messages = queue.Queue()
        self.granted = queue.Queue()
        self.session = queue.Queue()
        self.unsubscribed = queue.Queue()
        self.client.on_message = lambda c, u, message: self.messages.put(message)
        self.client.on_subscribe = lambda c, u, mid, granted, *rest: self.granted.put(granted)
        self.client.on_unsubscribe = lambda c, u, mid, *rest: self.unsubscribed.put(mid)
        self.client.on_connect = lambda c, u, flags, code: self.session.put((flags, code))
        if will:
            self.client.will_set(*will)
        self.client.connect("127.0.0.1", PORT, keepalive)
        self.client.loop_start()
        flags, code = self.session.get(timeout=SOON)
        assert code == 0, code
        self.present = bool(flags["session present"])

    def subscribe(self, topic, qos):
        self.client.subscribe(topic, qos)
        return tuple(self.granted.get(timeout=SOON))

    def publish(self, topic, payload, qos=1, retain=False):
        info = self.client.publish(topic, payload, qos, retain)
        info.wait_for_publish(SOON)
        assert info.is_published(), topic

    def next(self):
        return self.messages.get(timeout=SOON)

    def text(self):
        return self.next().payload.decode()

    def nothing(self, mark):
        """A message of our own to ourselves is the next that comes."""
        self.subscribe(mark, 1)
        self.publish(mark, mark)
        assert self.text() == mark

    def leave(self):
        self.client.disconnect()
        self.client.loop_stop()

    def break_off(self):
        """The connection breaks without a goodbye."""
        self.client.loop_stop()
        self.client._sock_close()


def every_quality():
    publisher, subscriber = Peer("publisher"), Peer("subscriber")
    for granted in (0, 1, 2):
        assert subscriber.subscribe("q", granted) == (granted,)
        for sent in (0, 1, 2):
            publisher.publish("q", f"{sent}", sent)
            message = subscriber.next()
            assert (message.qos, message.payload) == (min(sent, granted), f"{sent}".encode())
    publisher.leave()
    subscriber.leave()


def retained():
    publisher = Peer("publisher")
    for topic in ("r/1", "r/ä", "r/線路"):
        publisher.publish(topic, topic, 1, True)
    publisher.publish("r/1", "", 1, False)
    subscriber = Peer("subscriber")
    for _ in range(2):
        subscriber.subscribe("r/+", 1)
        seen = {subscriber.next().topic for _ in range(3)}
        assert seen == {"r/1", "r/ä", "r/線路"}, seen
    publisher.publish("r/1", "", 1, True)
    assert subscriber.text() == ""
    later = Peer("later")
    later.subscribe("r/+", 1)
    seen = {later.next().topic for _ in range(2)}
    assert seen == {"r/ä", "r/線路"}, seen
    for peer in (publisher, subscriber, later):
        peer.leave()


def will():
    watcher = Peer("watcher")
    watcher.subscribe("will/#", 1)
    polite = Peer("polite", will=("will/polite", "gone", 1, True))
    polite.leave()
    rude = Peer("rude", will=("will/rude", "gone", 1, True))
    rude.break_off()
    assert watcher.next().topic == "will/rude"
    later = Peer("later")
    later.subscribe("will/#", 1)
    message = later.next()
    assert (message.topic, message.retain) == ("will/rude", True)
    watcher.leave()
    later.leave()


def session_that_stays():
    peer = Peer("stays", clean=False)
    assert not peer.present
    peer.subscribe("s", 2)
    peer.leave()
    publisher = Peer("publisher")
    for number in range(1_000):
        # A receiver of both hands a message exactly once on later than one at least once (4.3.3),
        # so one kind comes after the other.
        publisher.publish("s", str(number), 1 + number // 500)
    peer = Peer("stays", clean=False)
    assert peer.present
    for number in range(1_000):
        assert peer.text() == str(number)
    peer.leave()
    peer = Peer("stays", clean=True)
    assert not peer.present
    peer.nothing("mark")
    peer.leave()
    publisher.leave()


def unsubscribing():
    peer = Peer("peer")
    peer.subscribe([("u/+", 1), ("u/#", 1)], 0)
    peer.publish("u/x", "once")
    assert peer.text() == "once"
    peer.client.unsubscribe(["u/+", "u/#"])
    peer.unsubscribed.get(timeout=SOON)
    peer.publish("u/x", "never")
    peer.nothing("mark")
    peer.leave()


def shared_is_refused():
    peer = Peer("peer")
    assert peer.subscribe([("$share/g/t", 1), ("t", 1)], 0) == (0x80, 1)
    peer.leave()


def takeover():
    first = Peer("same")
    gone = threading.Event()
    first.client.on_disconnect = lambda *rest: gone.set()
    first.client.reconnect_delay_set(60, 60)
    second = Peer("same")
    assert gone.wait(SOON)
    second.nothing("mark")
    first.client.loop_stop()
    second.leave()


def large():
    peer = Peer("peer")
    peer.subscribe("large", 2)
    for size in (1_000, 60_000, 250_000):
        peer.publish("large", b"x" * size, 2)
        assert len(peer.next().payload) == size
    peer.leave()


def burst():
    publisher, subscriber = Peer("publisher"), Peer("subscriber")
    for qos, count in ((1, 10_000), (2, 3_000)):
        subscriber.subscribe("burst", qos)
        infos = [publisher.client.publish("burst", str(n), qos) for n in range(count)]
        for number in range(count):
            assert subscriber.text() == str(number)
        infos[-1].wait_for_publish(SOON)
    publisher.leave()
    subscriber.leave()


for case in (
    every_quality, retained, will, session_that_stays, unsubscribing, shared_is_refused, takeover,
    large, burst,
):
    case()
    print("ok", case.__name__, flush=True)
