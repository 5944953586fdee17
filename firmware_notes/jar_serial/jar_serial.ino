// A jar on a USB cable: a line of JSON every few seconds. For boards with an ATmega328P and the like.
//
//   {"jar":"rye","distance_mm":92,"temperature_c":25.0625,"boot":"one-17","seq":0,"up_ms":812}
//
// boot is new at each power-up (counted in the EEPROM, which stands 100 000 writes), seq counts the lines since then, and
// up_ms is the time since then. A value that could not be measured is left out; a line without any value is not sent.

#include <avr/eeprom.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "my_jar.h"
#include "optical.h"
#include "probe.h"
#include "shots.h"
#include "ultrasonic.h"

static uint32_t boots_kept EEMEM;
static uint32_t boot, seq;
static probe::Bus bus(PROBE_PIN);

// The median of five: mm or us, or one of the values of shots.h.
int16_t take_shots() {
  int16_t shots[SHOTS];
  for (int16_t &shot : shots) {
    shot = SENSOR == OPTICAL ? optical::shot() : ultrasonic::shot(TRIGGER_PIN, ECHO_PIN);
    if (shot == FAILED) return FAILED;
    wdt_reset();
  }
  return median(shots);
}

void say(int16_t distance, int16_t temperature, uint32_t up_ms) {
  Serial.print(F("{\"jar\":\""));
  Serial.print(JAR);
  Serial.print('"');
  if (distance == NO_ECHO || distance == NO_TARGET) {
    Serial.print(F(",\"distance_mm\":"));
    Serial.print(NO_TARGET);
  } else if (distance != FAILED) {
    Serial.print(SENSOR == OPTICAL ? F(",\"distance_mm\":") : F(",\"echo_us\":"));
    Serial.print(distance);
  }
  if (temperature != probe::NOTHING) {
    Serial.print(F(",\"temperature_c\":"));
    Serial.print(temperature / 16.0, 4);
  }
  Serial.print(F(",\"boot\":\""));
  Serial.print(DEVICE);
  Serial.print('-');
  Serial.print(boot);
  Serial.print(F("\",\"seq\":"));
  Serial.print(seq++);
  Serial.print(F(",\"up_ms\":"));
  Serial.print(up_ms);
  Serial.println('}');
}

void setup() {
  wdt_disable();  // after it has reset the board it stays on, at 16 ms
  boot = eeprom_read_dword(&boots_kept) + 1;  // a new EEPROM is all ones: the first boot is 0
  eeprom_update_dword(&boots_kept, boot);
  Serial.begin(115200);
  if (SENSOR == OPTICAL) {
    Wire.begin();
    Wire.setWireTimeout(25000, true);  // us; releases a bus that hangs, as SMBus does
  } else {
    pinMode(TRIGGER_PIN, OUTPUT);
    pinMode(ECHO_PIN, INPUT);
  }
  set_sleep_mode(SLEEP_MODE_IDLE);  // the timer's interrupt wakes it every millisecond; sleeping keeps it cooler
  wdt_enable(WDTO_8S);
}

void loop() {
  static uint32_t due = 0;
  wdt_reset();
  if (int32_t(millis() - due) < 0) {
    sleep_mode();
    return;
  }
  due += PERIOD_MS;

  const uint32_t up_ms = millis();
  const bool converting = probe::start(bus);
  const int16_t distance = take_shots();  // while the probe converts
  int16_t temperature = probe::NOTHING;
  if (converting) {
    while (millis() - up_ms < probe::CONVERSION_MS + 10) sleep_mode();
    temperature = probe::result(bus);
  }
  if (distance != FAILED || temperature != probe::NOTHING) say(distance, temperature, up_ms);
}
