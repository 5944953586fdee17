/* An ATmega328P board in simavr with the parts of a jar on its pins: a range chip on I2C, an echo module on D5 and D6, a
 * 1-Wire probe on D4. Runs a firmware and writes what it says on its serial port to the file SERIAL.
 *
 *     board firmware.elf SCENE LINES RESETS SERIAL
 *
 * SCENE has a line for each shot or frame, taken in order, the last of each kind for ever: `range MM CODE`, `echo US`,
 * `frame HEX` (the nine bytes of a scratchpad). `no probe`, `no chip`, `no echo` leave a part out. The run ends after
 * LINES lines, then the board is reset and runs again, RESETS times; or with status 3 after 10 simulated seconds a run.
 *
 * The parts keep to their data sheets, and to the strict side of them: the probe holds the bus for a zero bit for just
 * the 15 us that are promised, and a frame read before 750 ms have passed since the conversion is the power-on frame.
 */
#include <simavr/avr_ioport.h>
#include <simavr/avr_twi.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_cycle_timers.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_time.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { PROBE = 4, TRIGGER = 5, ECHO = 6, MANY = 1000 };

static avr_t *avr;
static int ranges[MANY][2], range_count, echoes[MANY], echo_count;
static unsigned char frames[MANY][9];
static int frame_count, next_range, next_echo, next_frame;
static int no_probe, no_chip, no_echo;
static long lines;
static FILE *serial;

static int following(int *next, int count) {
  int now = *next;
  if (*next < count - 1) (*next)++;
  return now;
}

static void fail(const char *what) {
  fprintf(stderr, "board: %s\n", what);
  exit(4);
}

static double us_since(avr_cycle_count_t then) { return (avr->cycle - then) / (avr->frequency / 1e6); }

static void drive(int pin, int level) {
  avr_ioport_external_t external;
  memset(&external, 0, sizeof external);
  static int levels = 1 << PROBE;
  levels = level ? levels | 1 << pin : levels & ~(1 << pin);
  external.name = 'D';
  external.mask = 1 << PROBE | 1 << ECHO;
  external.value = levels;
  avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &external);
  avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), pin), level);
}

/* --- the 1-Wire probe: Maxim 19-7487, sections on the bus system --- */

static struct {
  int low, listening, sending, bits, byte;
  avr_cycle_count_t fell, converted;
  unsigned char frame[9];
} probe;

static avr_cycle_count_t probe_lets_go(avr_t *a, avr_cycle_count_t when, void *unused) {
  drive(PROBE, 1);
  return 0;
}

static avr_cycle_count_t probe_is_present(avr_t *a, avr_cycle_count_t when, void *unused) {
  drive(PROBE, 0);
  avr_cycle_timer_register_usec(avr, 100, probe_lets_go, NULL);
  return 0;
}

static void probe_command(int command) {
  static const unsigned char power_on[9] = {0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C};
  probe.bits = probe.byte = 0;
  if (command == 0xCC) return;
  probe.listening = 0;
  if (command == 0x44) {
    probe.converted = avr->cycle + avr->frequency / 1000 * 750;
  } else if (command == 0xBE) {
    int ready = probe.converted && avr->cycle >= probe.converted;
    memcpy(probe.frame, ready ? frames[following(&next_frame, frame_count)] : power_on, 9);
    probe.sending = 1;
  } else {
    fail("the probe was told something that it does not know");
  }
}

static void probe_sees(struct avr_irq_t *irq, uint32_t direction, void *unused) {
  int low = direction >> PROBE & 1;
  if (no_probe || low == probe.low) return;
  probe.low = low;
  if (low) {
    if (probe.bits && us_since(probe.fell) < 61) fail("a 1-Wire slot is shorter than 60 us and its recovery");
    probe.fell = avr->cycle;
    if (probe.sending) {
      int bit = probe.frame[probe.bits / 8] >> probe.bits % 8 & 1;
      if (++probe.bits == 72) probe.sending = probe.bits = 0;
      if (!bit) {
        avr_cycle_timer_register_usec(avr, 15, probe_lets_go, NULL);
        drive(PROBE, 0);
      }
    }
    return;
  }
  double held_us = us_since(probe.fell);
  if (held_us >= 480) {
    probe.listening = 1;
    probe.sending = probe.bits = probe.byte = 0;
    avr_cycle_timer_register_usec(avr, 30, probe_is_present, NULL);
  } else if (probe.listening) {
    if (held_us > 120 || (held_us > 15 && held_us < 60)) fail("a 1-Wire bit is neither 0 nor 1");
    probe.byte |= (held_us <= 15) << probe.bits;
    if (++probe.bits == 8) probe_command(probe.byte);
  }
}

/* --- the echo module: answers a trigger of 10 us and more --- */

static avr_cycle_count_t echo_ends(avr_t *a, avr_cycle_count_t when, void *unused) {
  drive(ECHO, 0);
  return 0;
}

static avr_cycle_count_t echo_begins(avr_t *a, avr_cycle_count_t when, void *unused) {
  drive(ECHO, 1);
  avr_cycle_timer_register_usec(avr, echoes[following(&next_echo, echo_count)], echo_ends, NULL);
  return 0;
}

static void trigger_changes(struct avr_irq_t *irq, uint32_t level, void *unused) {
  static avr_cycle_count_t rose;
  static int high;
  if ((int)level == high) return;
  high = level;
  if (level) {
    rose = avr->cycle;
  } else if (!no_echo) {
    if (us_since(rose) < 10) fail("the trigger is shorter than 10 us");
    avr_cycle_timer_register_usec(avr, 450, echo_begins, NULL);
  }
}

/* --- the range chip: ST DocID026171, as far as a driver goes --- */

static unsigned char registers[0x300];
static struct {
  int selected, written, index;
} chip;

static void chip_powers_up(void) {
  memset(registers, 0, sizeof registers);
  registers[0x000] = 0xB4;
  registers[0x016] = 1;
}

static void chip_takes(int address, int value) {
  registers[address] = value;
  if (address == 0x015 && (value & 7) == 7) registers[0x04F] = 0;
  if (address == 0x018) {
    if (registers[0x00DD] != 0xF8 || registers[0x016]) fail("a shot before the chip was set up");
    int *shot = ranges[following(&next_range, range_count)];
    registers[0x062] = shot[0];
    registers[0x04D] = shot[1] << 4 | 1;
    registers[0x04F] = 4;
  }
}

static void bus_says(struct avr_irq_t *irq, uint32_t value, void *unused) {
  struct avr_irq_t *answer = avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_INPUT);
  avr_twi_msg_irq_t message = {.u.v = value};
  if (message.u.twi.msg & TWI_COND_STOP) chip.selected = 0;
  if (message.u.twi.msg & TWI_COND_START) {
    chip.selected = 0;
    chip.written = 0;
    if (!no_chip && message.u.twi.addr >> 1 == 0x29) {
      chip.selected = message.u.twi.addr;
      avr_raise_irq(answer, avr_twi_irq_msg(TWI_COND_ACK, chip.selected, 1));
    }
  }
  if (!chip.selected) return;
  if (message.u.twi.msg & TWI_COND_WRITE) {
    avr_raise_irq(answer, avr_twi_irq_msg(TWI_COND_ACK, chip.selected, 1));
    if (chip.written == 0) chip.index = message.u.twi.data << 8;
    if (chip.written == 1) chip.index |= message.u.twi.data;
    if (chip.index >= (int)sizeof registers) fail("there is no such register");
    if (chip.written >= 2) chip_takes(chip.index++, message.u.twi.data);
    chip.written++;
  }
  if (message.u.twi.msg & TWI_COND_READ)
    avr_raise_irq(answer, avr_twi_irq_msg(TWI_COND_READ, chip.selected, registers[chip.index++]));
}

/* --- the board --- */

static void serial_says(struct avr_irq_t *irq, uint32_t byte, void *unused) {
  fputc(byte, serial);
  if (byte == '\n') lines++;
}

/* simavr would wait as long as the processor sleeps */
static void does_not_wait(avr_t *a, avr_cycle_count_t cycles) {}

static void read_scene(const char *path) {
  char line[200];
  FILE *file = fopen(path, "r");
  if (!file) fail("no scene");
  while (fgets(line, sizeof line, file)) {
    int mm, code, at = 0, read;
    unsigned byte;
    if (sscanf(line, "range %d %d", &mm, &code) == 2) {
      ranges[range_count][0] = mm;
      ranges[range_count++][1] = code;
    } else if (sscanf(line, "echo %d", &mm) == 1) {
      echoes[echo_count++] = mm;
    } else if (!strncmp(line, "frame ", 6)) {
      for (int n = 0; n < 9 && sscanf(line + 6 + at, "%2x%n", &byte, &read) == 1; n++, at += read)
        frames[frame_count][n] = byte;
      frame_count++;
    } else if (!strncmp(line, "no ", 3)) {
      no_probe |= !strncmp(line + 3, "probe", 5);
      no_chip |= !strncmp(line + 3, "chip", 4);
      no_echo |= !strncmp(line + 3, "echo", 4);
    }
  }
  fclose(file);
}

int main(int count, char *words[]) {
  elf_firmware_t firmware;
  memset(&firmware, 0, sizeof firmware);
  if (count != 6 || !(serial = fopen(words[5], "w"))) fail("board firmware.elf SCENE LINES RESETS SERIAL");
  if (elf_read_firmware(words[1], &firmware) != 0) fail("no firmware");
  read_scene(words[2]);
  avr = avr_make_mcu_by_name("atmega328p");
  avr_init(avr);
  avr->sleep = does_not_wait;
  firmware.frequency = 16000000;
  avr_load_firmware(avr, &firmware);

  uint32_t flags = 0;
  avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
  flags &= ~AVR_UART_FLAG_STDIO;
  avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), serial_says, NULL);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_OUTPUT), bus_says, NULL);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), IOPORT_IRQ_DIRECTION_ALL), probe_sees, NULL);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), TRIGGER), trigger_changes, NULL);

  for (int run = 0; run <= atoi(words[4]); run++) {
    if (run) avr_reset(avr);
    chip_powers_up();
    memset(&probe, 0, sizeof probe);
    drive(PROBE, 1);
    avr_cycle_count_t begun = avr->cycle;
    long wanted = lines + atol(words[3]);
    while (lines < wanted) {
      int state = avr_run(avr);
      if (state == cpu_Done || state == cpu_Crashed) fail("the processor stopped");
      if (us_since(begun) > 10e6) return 3;
    }
  }
  return fclose(serial);
}
