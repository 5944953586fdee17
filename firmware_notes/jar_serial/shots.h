// What a sensor's shot can return besides a number, and the median of several shots.
#pragma once

#include <Arduino.h>

const int16_t NO_TARGET = 8190;     // mm; what larger ranging chips say when nothing reflects
const int16_t NO_ECHO = INT16_MAX;  // us; longer than any echo that is waited for
const int16_t FAILED = INT16_MIN;   // the part does not answer
const uint8_t SHOTS = 5;            // their median counts, so one stray shot changes nothing

// The middle one; sorts the shots.
inline int16_t median(int16_t (&shots)[SHOTS]) {
  for (uint8_t i = 1; i < SHOTS; i++)
    for (uint8_t j = i; j > 0 && shots[j] < shots[j - 1]; j--) {
      const int16_t lower = shots[j];
      shots[j] = shots[j - 1];
      shots[j - 1] = lower;
    }
  return shots[SHOTS / 2];
}
