// Fill this in before you flash the board.
#pragma once

#define OPTICAL 1     // I2C, VL6180X class: SDA and SCL of the board
#define ULTRASONIC 2  // trigger and echo, HC-SR04 class

#ifndef SENSOR
#define SENSOR OPTICAL
#endif
#ifndef PERIOD_MS
#define PERIOD_MS 10000  // milliseconds between readings
#endif

const char JAR[] = "rye";     // the name of its [[jar]] in the config
const char DEVICE[] = "one";  // different on each board: tells two boards at one jar apart

const uint8_t TRIGGER_PIN = 5, ECHO_PIN = 6;  // ultrasonic
const uint8_t PROBE_PIN = 4;                  // DS18B20 class, with 4.7 kOhm from here to the supply
