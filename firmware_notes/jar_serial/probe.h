// The only device on a 1-Wire bus, of the DS18B20 class (Maxim 19-7487; the times are those of its figures and tables).
// The bus is never driven high: the pin pulls it low or lets go, and 4.7 kOhm pull it up.
#pragma once

#include <Arduino.h>

namespace probe {

const uint8_t SKIP_ROM = 0xCC, CONVERT = 0x44, READ_SCRATCHPAD = 0xBE, FRAME_BYTES = 9;
const uint16_t CONVERSION_MS = 750;  // at 12 bits, as it wakes up
const int16_t POWER_ON = 0x0550;     // 85.0 degC: nothing was converted yet
const int16_t NOTHING = INT16_MIN;

class Bus {
 public:
  explicit Bus(uint8_t pin)
      : bit_(digitalPinToBitMask(pin)),
        direction_(portModeRegister(digitalPinToPort(pin))),
        in_(portInputRegister(digitalPinToPort(pin))) {
    *portOutputRegister(digitalPinToPort(pin)) &= ~bit_;
    let_go();
  }

  // True when a device answers.
  bool reset() {
    pull_low();
    delayMicroseconds(500);  // at least 480
    noInterrupts();
    let_go();
    delayMicroseconds(70);  // it answers after 15 to 60, for 60 to 240
    const bool present = !high();
    interrupts();
    delayMicroseconds(430);
    return present && high();
  }

  void write(uint8_t byte) {
    for (uint8_t i = 0; i < 8; i++, byte >>= 1) slot(byte & 1);
  }

  uint8_t read() {
    uint8_t byte = 0;
    for (uint8_t i = 0; i < 8; i++) byte |= uint8_t(slot(true)) << i;
    return byte;
  }

 private:
  // One bit, written or read: reading is writing a 1 and seeing whether the device holds the bus low.
  bool slot(bool bit) {
    noInterrupts();
    pull_low();
    delayMicroseconds(3);  // at least 1
    if (bit) let_go();
    delayMicroseconds(6);  // its answer is valid for 15 from the beginning
    const bool seen = high();
    delayMicroseconds(55);  // a slot lasts 60 to 120
    let_go();
    interrupts();
    delayMicroseconds(3);  // to recover, at least 1
    return seen;
  }

  void pull_low() { *direction_ |= bit_; }
  void let_go() { *direction_ &= ~bit_; }
  bool high() const { return *in_ & bit_; }

  const uint8_t bit_;
  volatile uint8_t *const direction_;
  volatile uint8_t *const in_;
};

// 1-Wire's CRC: x^8 + x^5 + x^4 + 1, lowest bit first (Maxim Application Note 27). 0 over data and its own CRC.
inline uint8_t crc8(const uint8_t *data, uint8_t count) {
  uint8_t crc = 0;
  while (count--) {
    crc ^= *data++;
    for (uint8_t i = 0; i < 8; i++) crc = crc & 1 ? crc >> 1 ^ 0x8C : crc >> 1;
  }
  return crc;
}

// Sixteenths of a degC in a scratchpad, or NOTHING: its CRC is wrong; it is all zeros (a shorted bus: the CRC of zeros is
// zero); it holds the power-on value; it is outside the probe's range.
inline int16_t sixteenths(const uint8_t (&frame)[FRAME_BYTES]) {
  uint8_t any = 0;
  for (uint8_t byte : frame) any |= byte;
  const int16_t raw = int16_t(frame[1] << 8 | frame[0]);
  const bool believable = any && crc8(frame, FRAME_BYTES) == 0 && raw != POWER_ON && raw >= -55 * 16 && raw <= 125 * 16;
  return believable ? raw : NOTHING;
}

// Begins a conversion; false when nothing answers.
inline bool start(Bus &bus) {
  if (!bus.reset()) return false;
  bus.write(SKIP_ROM);
  bus.write(CONVERT);
  return true;
}

// What was converted, in sixteenths of a degC, or NOTHING.
inline int16_t result(Bus &bus) {
  if (!bus.reset()) return NOTHING;
  bus.write(SKIP_ROM);
  bus.write(READ_SCRATCHPAD);
  uint8_t frame[FRAME_BYTES];
  for (uint8_t &byte : frame) byte = bus.read();
  return sixteenths(frame);
}

}  // namespace probe
