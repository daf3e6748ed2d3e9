// Half a minute of the example board: a train comes over sensor 34 after 12 s, the points move at
// 20 s. What it would publish goes to standard output as a recording.
#include "Arduino.h"
#include "PubSubClient.h"
#include <cstdio>

static uint64_t now_us = 1000000;

uint32_t millis() { return static_cast<uint32_t>(now_us / 1000); }
void delayMicroseconds(unsigned us) { now_us += us; }
void pinMode(uint8_t, uint8_t) {}
int digitalRead(uint8_t pin) {
    const bool reverse = now_us > 20000000;
    return pin == (reverse ? 26 : 25) ? LOW : HIGH;
}
int analogRead(uint8_t) { return 4000; }
uint32_t analogReadMilliVolts(uint8_t pin) {
    // 37 mV off the middle are 200 mA; 0 mV are none.
    return pin == 34 && now_us > 12000000 ? 1687 : 1650;
}
FakeWiFi WiFi;

PubSubClient &PubSubClient::setServer(const char *, uint16_t) { return *this; }
PubSubClient &PubSubClient::setKeepAlive(uint16_t) { return *this; }
bool PubSubClient::connect(const char *, const char *, const char *, const char *, uint8_t, bool,
                           const char *) {
    return is_connected = true;
}
bool PubSubClient::connected() { return is_connected; }
bool PubSubClient::loop() { return true; }
bool PubSubClient::publish(const char *topic, const char *payload, bool retained) {
    const char *quote = payload[0] == '[' ? "" : "\"";
    std::printf("{\"t\":%.3f,\"topic\":\"%s\",\"payload\":%s%s%s,\"retained\":%s}\n",
                static_cast<double>(now_us) / 1e6, topic, quote, payload, quote,
                retained ? "true" : "false");
    return true;
}

void setup();
void loop();
int main() {
    setup();
    while (now_us < 30000000) {
        loop();
        now_us += 1000;
    }
}
