// A board with two current sensors, one beam and one pair of points, publishing to Taillamp.
//
// For the Arduino core of an ESP32 and the PubSubClient library; any board with the same calls will
// do. Put in your own network, broker and pins. Each sensor sits in the wire that feeds its block,
// on the low-voltage side, behind over-current protection. Written for this project; MIT licence.

#include <Arduino.h>
#include <PubSubClient.h>
#include <WiFi.h>
#include <math.h>
#include <stdio.h>

namespace {

const char *const WIFI_NAME = "layout";
const char *const WIFI_PASSWORD = "change me";
const char *const BROKER = "layout-pi.local";
const uint16_t BROKER_PORT = 1883;
// `taillamp init` has shown the board's password; the user is the id of its [[node]].
const char *const BOARD = "board-1";
const char *const BOARD_PASSWORD = "change me";

const char *const NODE_TOPIC = "wharf/node/board-1";
const char *const POSITION_TOPIC = "wharf/position/w1";
const char *const BEAM_TOPIC = "wharf/detector/d-beam";

struct Sensor {
    const char *topic;
    uint8_t pin;
    float sent;       // what was published last, in mA
    uint32_t sent_at; // and when
};

Sensor sensors[] = {
    {"wharf/detector/d-east", 34, -1.0F, 0},
    {"wharf/detector/d-west", 35, -1.0F, 0},
};
const uint8_t BEAM_PIN = 32;
const uint8_t NORMAL_PIN = 25; // contacts that the blades work, closed: LOW
const uint8_t REVERSE_PIN = 26;

// Of the sensor: millivolts at no current, and milliamperes for each millivolt.
const float ZERO_MV = 1650.0F;
const float MA_PER_MV = 1000.0F / 185.0F;

const uint32_t EVERY_MS = 2000;  // published at least so often: silence is not believed
const float CHANGE_MA = 0.5F;    // and at once when it changes by so much
const int SAMPLES = 200;         // over one period of a 50 Hz supply and more
const uint32_t RETRY_MS = 3000;

WiFiClient network;
PubSubClient mqtt(network);
uint32_t tried_at = 0;
uint32_t beam_at = 0;
int position_sent = -1;

// The root of the mean square, so that alternating current counts as well.
float milliamperes(uint8_t pin) {
    float sum = 0.0F;
    for (int n = 0; n < SAMPLES; n++) {
        const float ma = (static_cast<float>(analogReadMilliVolts(pin)) - ZERO_MV) * MA_PER_MV;
        sum += ma * ma;
        delayMicroseconds(100);
    }
    return sqrtf(sum / static_cast<float>(SAMPLES));
}

void publish(const char *topic, const char *payload, bool retained) {
    // What is not sent is sent again at the next turn, because silence is noticed.
    mqtt.publish(topic, payload, retained);
}

void report_current(Sensor &sensor, uint32_t now) {
    const float ma = milliamperes(sensor.pin);
    const bool due = now - sensor.sent_at >= EVERY_MS;
    if (!due && fabsf(ma - sensor.sent) < CHANGE_MA) {
        return;
    }
    char payload[80];
    snprintf(payload, sizeof payload, "[{\"n\":\"current\",\"u\":\"mA\",\"v\":%.1f}]",
             static_cast<double>(ma));
    publish(sensor.topic, payload, false);
    sensor.sent = ma;
    sensor.sent_at = now;
}

void report_beam(uint32_t now) {
    if (now - beam_at < 200) {
        return;
    }
    beam_at = now;
    char payload[80];
    const double percent = 100.0 * analogRead(BEAM_PIN) / 4095.0;
    snprintf(payload, sizeof payload, "[{\"n\":\"light\",\"u\":\"%%\",\"v\":%.1f}]", percent);
    publish(BEAM_TOPIC, payload, false);
}

void report_position() {
    const bool normal = digitalRead(NORMAL_PIN) == LOW;
    const bool reverse = digitalRead(REVERSE_PIN) == LOW;
    // Both or none: the blades are on their way, or a contact is broken. Taillamp tells them apart.
    const int position = normal == reverse ? 2 : (reverse ? 1 : 0);
    if (position == position_sent) {
        return;
    }
    static const char *const WORDS[] = {"normal", "reverse", "moving"};
    char payload[60];
    snprintf(payload, sizeof payload, "[{\"n\":\"position\",\"vs\":\"%s\"}]", WORDS[position]);
    publish(POSITION_TOPIC, payload, true);
    position_sent = position;
}

void connect(uint32_t now) {
    if (tried_at != 0 && now - tried_at < RETRY_MS) {
        return;
    }
    tried_at = now;
    // The will says that the board is gone when it cannot say so itself.
    if (mqtt.connect(BOARD, BOARD, BOARD_PASSWORD, NODE_TOPIC, 1, true, "offline")) {
        publish(NODE_TOPIC, "online", true);
        position_sent = -1;
        for (Sensor &sensor : sensors) {
            sensor.sent = -1.0F;
        }
    }
}

} // namespace

void setup() {
    pinMode(NORMAL_PIN, INPUT_PULLUP);
    pinMode(REVERSE_PIN, INPUT_PULLUP);
    WiFi.begin(WIFI_NAME, WIFI_PASSWORD);
    mqtt.setServer(BROKER, BROKER_PORT);
    mqtt.setKeepAlive(5);
}

void loop() {
    const uint32_t now = millis();
    if (!mqtt.connected()) {
        connect(now);
        return;
    }
    mqtt.loop();
    for (Sensor &sensor : sensors) {
        report_current(sensor, now);
    }
    report_beam(now);
    report_position();
}
