#pragma once
struct WiFiClient {};
struct FakeWiFi {
    void begin(const char *name, const char *password) { (void)name, (void)password; }
};
extern FakeWiFi WiFi;
