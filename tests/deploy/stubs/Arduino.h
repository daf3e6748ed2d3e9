// As much of the Arduino core as the example board names, on a computer, with a clock of its own.
#pragma once
#include <cstddef>
#include <cstdint>

#define HIGH 1
#define LOW 0
#define INPUT_PULLUP 2

uint32_t millis();
void delayMicroseconds(unsigned us);
void pinMode(uint8_t pin, uint8_t mode);
int digitalRead(uint8_t pin);
int analogRead(uint8_t pin);
uint32_t analogReadMilliVolts(uint8_t pin);
