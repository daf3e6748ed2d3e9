// The calls of an MQTT client, writing a recording's lines to standard output instead.
#pragma once
#include <cstdint>
#include "WiFi.h"
class PubSubClient {
  public:
    explicit PubSubClient(WiFiClient &) {}
    PubSubClient &setServer(const char *host, uint16_t port);
    PubSubClient &setKeepAlive(uint16_t seconds);
    bool connect(const char *id, const char *user, const char *password, const char *will_topic,
                 uint8_t will_qos, bool will_retain, const char *will);
    bool connected();
    bool publish(const char *topic, const char *payload, bool retained);
    bool loop();

  private:
    bool is_connected = false;
};
