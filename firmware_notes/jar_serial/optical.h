// A short-range time-of-flight chip with 16 bit register addresses: VL6180X class (ST DocID026171). Its range register
// ends at 255 mm, of which 100 are guaranteed. The class 1 laser is switched by the chip itself: nothing here touches its
// drive.
#pragma once

#include <Arduino.h>
#include <Wire.h>

#include "shots.h"

namespace optical {

const uint8_t ADDRESS = 0x29, MODEL = 0xB4;
const uint16_t MODEL_ID = 0x000, INTERRUPT_CLEAR = 0x015, FRESH_OUT_OF_RESET = 0x016, START = 0x018, STATUS = 0x04D,
               INTERRUPT_STATUS = 0x04F, RANGE_MM = 0x062;
// A shot gives up after 49 ms, as the chip wakes up (SYSRANGE__MAX_CONVERGENCE_TIME).
const uint8_t READY_MS = 150;

struct Setting {
  uint16_t address;
  uint8_t value;
};

// Unnamed registers that the manufacturer wants set after each power-up, in this order (ST AN4545, page 24), and three
// named ones (DocID026171, section 6): "new sample ready" shows in INTERRUPT_STATUS, 4.3 ms of averaging, the
// temperature calibration repeated every 255 shots.
const Setting SETTINGS[] PROGMEM = {
    {0x0207, 0x01}, {0x0208, 0x01}, {0x0096, 0x00}, {0x0097, 0xFD}, {0x00E3, 0x00}, {0x00E4, 0x04}, {0x00E5, 0x02},
    {0x00E6, 0x01}, {0x00E7, 0x03}, {0x00F5, 0x02}, {0x00D9, 0x05}, {0x00DB, 0xCE}, {0x00DC, 0x03}, {0x00DD, 0xF8},
    {0x009F, 0x00}, {0x00A3, 0x3C}, {0x00B7, 0x00}, {0x00BB, 0x3C}, {0x00B2, 0x09}, {0x00CA, 0x09}, {0x0198, 0x01},
    {0x01B0, 0x17}, {0x01AD, 0x00}, {0x00FF, 0x05}, {0x0100, 0x05}, {0x0199, 0x05}, {0x01A6, 0x1B}, {0x01AC, 0x3E},
    {0x01A7, 0x1F}, {0x0030, 0x00}, {0x0014, 0x04}, {0x010A, 0x30}, {0x0031, 0xFF},
};

inline bool put(uint16_t address, uint8_t value) {
  Wire.beginTransmission(ADDRESS);
  Wire.write(uint8_t(address >> 8));
  Wire.write(uint8_t(address));
  Wire.write(value);
  return Wire.endTransmission() == 0;
}

inline bool get(uint16_t address, uint8_t &value) {
  Wire.beginTransmission(ADDRESS);
  Wire.write(uint8_t(address >> 8));
  Wire.write(uint8_t(address));
  if (Wire.endTransmission(false) != 0 || Wire.requestFrom(ADDRESS, uint8_t(1)) != 1) return false;
  value = Wire.read();
  return true;
}

// Sets the chip up if it has not been since its last power-up. False: it does not answer, or is another one.
inline bool ready() {
  uint8_t value;
  if (!get(FRESH_OUT_OF_RESET, value)) return false;
  if (value == 0) return true;
  if (!get(MODEL_ID, value) || value != MODEL) return false;
  for (const Setting &setting : SETTINGS)
    if (!put(pgm_read_word(&setting.address), pgm_read_byte(&setting.value))) return false;
  return put(FRESH_OUT_OF_RESET, 0);
}

// One distance in mm; NO_TARGET, 0 for too near to tell, or FAILED.
inline int16_t shot() {
  if (!ready() || !put(INTERRUPT_CLEAR, 7) || !put(START, 1)) return FAILED;
  uint8_t value;
  const uint32_t begun = millis();
  do {
    if (!get(INTERRUPT_STATUS, value) || millis() - begun > READY_MS) return FAILED;
  } while ((value & 7) != 4);
  if (!get(STATUS, value)) return FAILED;
  switch (value >> 4) {  // table 12
    case 0:
      return get(RANGE_MM, value) ? value : FAILED;
    case 6:   // early convergence
    case 7:   // no convergence
    case 8:   // ignored
    case 11:  // too little signal in the light around
    case 13:  // overflow, raw and cooked
    case 15:
      return NO_TARGET;
    case 12:  // underflow, raw and cooked
    case 14:
      return 0;
    default:  // a fault of the chip itself
      return FAILED;
  }
}

}  // namespace optical
