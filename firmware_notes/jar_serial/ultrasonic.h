// A module that answers a trigger pulse with a pulse as long as the echo takes: HC-SR04 class. The echo time is sent as it
// is: Jartide knows the temperature and works out the speed of sound from it.
#pragma once

#include <Arduino.h>

#include "shots.h"

namespace ultrasonic {

const uint8_t TRIGGER_US = 10;      // the sheet: at least 10 us
const uint8_t BETWEEN_MS = 60;      // the sheet: a cycle of 60 ms or more, or the last echo is heard again
const uint16_t NO_ECHO_US = 30000;  // 5 m; the module itself gives up after about 38 ms

// One echo in us, or NO_ECHO.
inline int16_t shot(uint8_t trigger_pin, uint8_t echo_pin) {
  delay(BETWEEN_MS);
  digitalWrite(trigger_pin, HIGH);
  delayMicroseconds(TRIGGER_US);
  digitalWrite(trigger_pin, LOW);
  const uint32_t echo_us = pulseIn(echo_pin, HIGH, NO_ECHO_US);
  return echo_us == 0 ? NO_ECHO : int16_t(echo_us);
}

}  // namespace ultrasonic
