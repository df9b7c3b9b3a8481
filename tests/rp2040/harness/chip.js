// One emulated chip, stepped cycle by cycle, with what the emulator leaves out and this firmware depends on:
//
// - state machines run only while they are enabled, one step a cycle (the emulator runs them in bursts of its own);
// - a pin's level reaches the state machines two cycles after it changed: the chip's input synchroniser;
// - an output pin's own level can be read back;
// - the system tick ends a wait for an interrupt;
// - the serial line takes its time, and its sending FIFO can be full;
// - the flash chip has a number of its own;
// - the watchdog goes off once and resets the whole chip, if the firmware told it to reset all of it.

import { GPIOPinState, LogLevel, ConsoleLogger, RP2040 } from 'rp2040js';

import { giveNumber } from './flash.js';
import { skip } from './skipping.js';

export const CLOCK_HZ = 125_000_000;
const NS_PER_CYCLE = 1e9 / CLOCK_HZ;
const SYNCHRONISER_CYCLES = 2;
const BOOT2_BYTES = 256;
const BOOT2_RAM = 0x20041f00;
const HANG_RAM = 0x20040000; // below the stack's lowest use
const BRANCH_TO_SELF = 0xe7fe;
const WATCHDOG = 0x40058;
const PSM = 0x40010;
const PSM_ALL_BUT_OSCILLATORS = 0x1fffc;
const TIMED_OUT = 1;
const FLASH_NUMBER = [0xe6, 0x61, 0x38, 0x52, 0x83, 0x4f, 0x2b, 0x30]; // invented

export class Chip {
  /** image: the flash from its beginning; pins: {stimulus, response}; onOutput(cycle, level): the stimulus pin changed. */
  constructor(image, pins, onOutput, { cycle = 0, afterWatchdog = false, without = new Set() } = {}) {
    this.pins = pins;
    this.cycle = cycle;
    this.without = without;
    this.watchdogFired = false;
    this.resets = 0;
    this.image = image;
    this.onOutput = onOutput;
    this.events = []; // {cycle, pin, level}, by cycle: what reaches the state machines
    this.levels = { stimulus: 0, response: 0 };
    this.boot(afterWatchdog);
  }

  boot(afterWatchdog) {
    const rp = (this.rp = new RP2040());
    rp.logger = new ConsoleLogger(LogLevel.Error, false);
    rp.flash.set(this.image);
    giveNumber(rp, FLASH_NUMBER);
    this.pio = rp.pio[0];
    this.pio.run = () => {};
    this.events = this.events.filter((event) => event.pin === this.pins.response);
    const watchdog = rp.peripherals[WATCHDOG];
    watchdog.onWatchdogTrigger = () => {
      watchdog.alarm.enable = false; // at zero it would go off again and again, without time passing
      if (rp.peripherals[PSM].wdsel === PSM_ALL_BUT_OSCILLATORS) this.watchdogFired = true;
      else console.error('the watchdog fired but was not told to reset the whole chip');
    };
    if (afterWatchdog) watchdog.reason = TIMED_OUT;
    rp.gpio[this.pins.stimulus].addListener((state) => this.output(state === GPIOPinState.High ? 1 : 0));
    rp.gpio[this.pins.response].setInputValue(Boolean(this.levels.response));
    // As the boot ROM does: the first 256 bytes of flash are copied to RAM and run.
    rp.sram.set(this.image.subarray(0, BOOT2_BYTES), BOOT2_RAM - 0x20000000);
    rp.core.PC = BOOT2_RAM;
  }

  /** The stimulus pin changes at the end of the present cycle. */
  output(level) {
    if (level === this.levels.stimulus) return;
    this.levels.stimulus = level;
    const at = this.cycle + 1;
    this.schedule(at + this.synchroniser, this.pins.stimulus, level);
    this.onOutput(at, level);
  }

  get synchroniser() {
    return this.without.has('synchroniser') ? 0 : SYNCHRONISER_CYCLES;
  }

  schedule(cycle, pin, level) {
    let at = this.events.length;
    while (at && this.events[at - 1].cycle > cycle) at--;
    this.events.splice(at, 0, { cycle, pin, level });
  }

  /** The response wire goes to a level at the beginning of a cycle. */
  input(cycle, level) {
    this.schedule(cycle + this.synchroniser, this.pins.response, level);
  }

  get running() {
    return this.pio.machines.some((machine) => machine.enabled);
  }

  apply() {
    while (this.events.length && this.events[0].cycle <= this.cycle) {
      const { pin, level } = this.events.shift();
      if (pin === this.pins.response) this.levels.response = level;
      this.rp.gpio[pin].setInputValue(Boolean(level));
    }
  }

  /** One cycle of everything but the core. */
  stepMachines() {
    if (this.events.length && this.events[0].cycle <= this.cycle) this.apply();
    const { machines } = this.pio;
    for (let i = 0; i < 4; i++) if (machines[i].enabled) machines[i].step();
    this.pio.checkChangedPins();
    this.cycle++;
  }

  stepCore() {
    const cycles = this.rp.core.executeInstruction();
    for (let i = 0; i < cycles; i++) this.stepMachines();
    this.rp.clock.tick(cycles * NS_PER_CYCLE);
  }

  awake() {
    const { core } = this.rp;
    if (core.waiting && core.interruptsUpdated && core.checkForInterrupts()) core.waiting = false;
    return !core.waiting;
  }

  /** Cycles that may pass while the core sleeps before anything but a state machine happens. */
  quiet(end) {
    const { clock } = this.rp;
    const alarm = clock.nextAlarm ? Math.ceil(clock.nanosToNextAlarm / NS_PER_CYCLE) : Infinity;
    const event = this.events.length ? this.events[0].cycle - this.cycle : Infinity;
    return Math.min(end - this.cycle, alarm, event);
  }

  sleep(end) {
    const quiet = this.quiet(end);
    const before = this.cycle;
    if (quiet > 0 && !this.running) {
      this.pio.checkChangedPins();
      this.cycle += quiet;
    } else if (!(quiet > 0) || this.without.has('skipping') || !skip(this, quiet)) {
      this.stepMachines();
    }
    this.rp.clock.tick((this.cycle - before) * NS_PER_CYCLE);
  }

  runUntil(end) {
    while (this.cycle < end) {
      if (this.watchdogFired) this.reset();
      if (this.awake()) this.stepCore();
      else this.sleep(end);
    }
  }

  reset() {
    this.watchdogFired = false;
    this.resets++;
    this.output(0); // pins let go, the pull-down remains
    this.boot(true);
  }

  /** The main loop never goes on from where it is; interrupts do. */
  hang() {
    const { core } = this.rp;
    while (core.IPSR) this.stepCore();
    core.waiting = false;
    this.rp.writeUint16(HANG_RAM, BRANCH_TO_SELF);
    core.PC = HANG_RAM;
  }
}
